"""How fast `.log` captures are read, against python-can's reader, in one run.

    python -m benchmarks.read_log [FRAMES]

python-can reads a twentieth of the capture and is scaled. Both read from the page cache.
"""

import sys
import tempfile
import time
from pathlib import Path

import can

from benchmarks.traffic import make_log
from busdoc.capture.source import open_capture


def seconds_to_read(path: Path) -> tuple[float, int]:
    """Time our reader over a whole capture."""
    start_s = time.perf_counter()
    n_frames = sum(len(block) for block in open_capture([path]).blocks())
    return time.perf_counter() - start_s, n_frames


def seconds_to_read_with_python_can(path: Path) -> tuple[float, int]:
    """Time python-can's reader over a whole capture."""
    start_s = time.perf_counter()
    with can.CanutilsLogReader(path) as reader:
        n_frames = sum(1 for _ in reader)
    return time.perf_counter() - start_s, n_frames


def peak_megabytes() -> float | None:
    """Give the most memory that this process ever had; None where the system does not say."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def main() -> None:
    """Make the captures once, time both readers, print the ratio."""
    n_wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks"
    folder.mkdir(exist_ok=True)
    whole, part = folder / f"traffic-{n_wanted}.log", folder / f"traffic-{n_wanted // 20}.log"
    for path, n_frames in ((whole, n_wanted), (part, n_wanted // 20)):
        if not path.exists():
            make_log(path, n_frames)
    first_s, n_frames = seconds_to_read(whole)
    before_mb = peak_megabytes()
    warm_s = sorted(seconds_to_read(whole)[0] for _ in range(5))[2]
    peak_mb = peak_megabytes()
    can_s, n_can = seconds_to_read_with_python_can(part)
    ours, theirs = n_frames / warm_s, n_can / can_s
    print(f"capture            {n_frames} frames, {whole.stat().st_size / 1e6:.0f} MB")
    print(
        f"busdoc, first run  {n_frames / first_s / 1e6:.1f} M frames/s ({first_s:.2f} s, loading the parser included)"
    )
    print(f"busdoc, warm       {ours / 1e6:.1f} M frames/s ({warm_s:.2f} s, median of 5)")
    print(f"python-can         {theirs / 1e6:.3f} M frames/s (on {n_can} frames)")
    print(f"ratio, warm        {ours / theirs:.0f}")
    if peak_mb is not None:
        print(f"peak memory        {peak_mb:.0f} MB ({before_mb:.0f} MB after the first run)")


if __name__ == "__main__":
    main()
