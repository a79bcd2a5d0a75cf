"""Fill disks and take folders away under sessions: what was answered is there, and what was not is said.

    python -m benchmarks.campaign.disks [RUNS] [SEED]

Each run is a process with a session that presses without pause, on a bus of its own with a frame every five
milliseconds. In its middle the disk is filled to the last block, for a while or to the end (a file system of its own in
a file, which asks for Linux and root; elsewhere these are left out); or its folder is moved away and comes back; or it
is removed for good, with a second folder beside it (`--also`) or without. A press is answered or refused. None that was
answered may be gone, from the folder or, where that was removed, from the second one; no frame may be missing from the
time before and after; and the post-mortem accuses nobody of what the disk did. Linux and macOS.
"""

import contextlib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from benchmarks.campaign.session_run import EVERY_NS, rest_of, run_session
from busdoc.analysis.postmortem import postmortem
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from busdoc.session.folder import SessionFolder

RUNS = 40
ON_A_DISK = ("full for a while", "full to the end")
KINDS = (*ON_A_DISK, "away and back", "away and back, also", "removed, also", "removed")
_DISK_BYTES = 700 << 20
"""The recorder leaves 500 MB free."""
_RUN_S, _FROM_S, _TO_S = 6.0, 2.0, 4.0
_BEFORE_NS, _AFTER_NS = 1_000_000_000, 2_500_000_000
"""Frames may be missing from a second before to some seconds after, in which it is tried again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """What a session told, and when it was troubled."""

    kind: str
    path: Path
    also: Path | None
    from_ns: int
    gone_ns: int
    """When what was done to it had been done."""
    to_ns: int
    until_ns: int
    told: str


def main() -> int:
    """Run it, and print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_of: Counter[str] = Counter()
    n_wrong: Counter[str] = Counter()
    n_answered: Counter[str] = Counter()
    n_refused: Counter[str] = Counter()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-disks-") as place:
        for k in range(runs):
            kind = KINDS[k % len(KINDS)]
            folder = Path(place) / f"r{k}"
            folder.mkdir()
            with _disk(folder / "disk") if kind in ON_A_DISK else contextlib.nullcontext(folder) as disk:
                if disk is None:
                    continue
                run = _one(kind, disk, source.randrange(1 << 30))
                wrong = _wrong_of(run)
            shutil.rmtree(folder, ignore_errors=True)
            n_of[kind] += 1
            n_wrong[kind] += bool(wrong)
            n_answered[kind] += run.told.count("pressed")
            n_refused[kind] += run.told.count("refused")
            for text in wrong:
                print(f"run {k + 1}, {kind}: {text}", flush=True)
    print(f"{'':22}{'runs':>6}{'answered':>10}{'refused':>9}{'wrong':>7}")
    for kind in KINDS:
        print(f"{kind:22}{n_of[kind]:6}{n_answered[kind]:10}{n_refused[kind]:9}{n_wrong[kind]:7}")
    print(f"{n_of.total()} runs in {(time.monotonic() - began_s) / 60:.0f} min, {n_wrong.total()} wrong")
    return 1 if n_wrong.total() else 0


@contextlib.contextmanager
def _disk(place: Path) -> Iterator[Path | None]:
    """Make a file system of its own; None where that is not allowed."""
    image = place.with_suffix(".img")
    place.mkdir()
    try:
        with image.open("wb") as file:
            file.truncate(_DISK_BYTES)
        subprocess.run(["mkfs.ext4", "-q", "-m", "0", str(image)], check=True, capture_output=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=False, capture_output=True)


def _one(kind: str, folder: Path, seed: int) -> _Run:
    """Run one session, with what happens in its middle."""
    path, elsewhere = folder / "s", folder / "elsewhere"
    also = folder / "also" if kind.endswith("also") else None
    reads, writes = os.pipe()
    number = os.fork()
    if not number:
        os.close(reads)
        _be_a_session(path, also, seed, writes)
    os.close(writes)
    time.sleep(_FROM_S)
    from_ns = time.time_ns()
    if kind in ON_A_DISK:
        _fill(folder / "ballast")
    elif kind.startswith("away"):
        path.rename(elsewhere)
    else:
        shutil.rmtree(path, ignore_errors=True)
    gone_ns = time.time_ns()
    time.sleep(_TO_S - _FROM_S)
    if kind == "full for a while":
        (folder / "ballast").unlink()
    elif kind.startswith("away"):
        elsewhere.rename(path)
    lasts = kind in ("full to the end", "removed", "removed, also")
    to_ns = 1 << 62 if lasts else time.time_ns()
    told = rest_of(reads)
    os.waitpid(number, 0)
    until_ns = next((int(line.split()[1]) for line in told.splitlines() if line.startswith("closing")), 0)
    if kind == "full to the end":
        (folder / "ballast").unlink()
    return _Run(
        kind=kind,
        path=path,
        also=also,
        from_ns=from_ns,
        gone_ns=gone_ns,
        to_ns=to_ns,
        until_ns=until_ns,
        told=told,
    )


def _fill(path: Path) -> None:
    """Leave no block free."""
    with path.open("wb") as file:
        for size in (1 << 26, 1 << 20, 1 << 16, 1 << 12):
            with contextlib.suppress(OSError):
                while True:
                    os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, size)


def _be_a_session(path: Path, also: Path | None, seed: int, writes: int) -> None:
    def tell(text: str) -> None:
        os.write(writes, f"{text}\n".encode("ascii", "replace"))

    try:
        run_session(path, _RUN_S, random.Random(seed), tell, also, may_refuse=True)
    except BaseException as error:
        tell(f"failed: {error!r}".replace("\n", " "))
    finally:
        os._exit(0)


def _wrong_of(run: _Run) -> list[str]:
    wrong = [line for line in run.told.splitlines() if line.startswith("failed")]
    if not run.told.endswith("closed\n"):
        wrong.append("it did not come to its end")
    pressed = [line.partition(" ")[2] for line in run.told.splitlines() if line.startswith("pressed")]
    if not pressed:
        wrong.append("nothing was answered")
    places = [place for place in (run.path, run.also) if place is not None]
    if run.kind == "removed":
        after = [note for note in pressed if int(note.rpartition("-")[2]) > run.gone_ns]
        return [*wrong, f"{len(after)} presses were answered though the folder was gone"] if after else wrong
    if run.kind == "removed, also":
        places = places[1:]
    for place in places:
        wrong += [f"{text} ({place.name})" for text in _lost(run, place, pressed)]
    return wrong


def _lost(run: _Run, place: Path, pressed: list[str]) -> list[str]:
    """Give what is missing from one of the places."""
    try:
        folder = SessionFolder(place)
    except InputError as error:
        return [f"it is not opened: {error}"]
    rows = {row.body.get("note") for row in folder.store.rows().entries}
    folder.close()
    wrong = [] if folder.resumed else ["begun anew"]
    gone = [note for note in pressed if note not in rows]
    if gone:
        wrong.append(f"{len(gone)} of {len(pressed)} presses that were answered are gone")
    heard = [int(line.split()[1]) for line in run.told.splitlines() if line.startswith("heard")]
    blocks = list(open_capture([place / "recording"]).blocks())
    there = {int(t_ns) // EVERY_NS for block in blocks for t_ns in block.t_ns}
    due = range(-(-heard[0] // EVERY_NS), run.until_ns // EVERY_NS)
    # a second place keeps what the first could not
    spared = (run.from_ns - _BEFORE_NS, run.to_ns + _AFTER_NS) if run.also is None else (0, 0)
    missing = [n for n in due if n not in there and not spared[0] <= n * EVERY_NS <= spared[1]]
    if missing:
        wrong.append(f"{len(missing)} frames are missing")
    result = postmortem([place])
    trouble = [result.incidents[n] for n in result.trouble.incidents]
    return wrong + [f"told of {', '.join(one.controllers)}: {one.kind}" for one in trouble if one.controllers]


if __name__ == "__main__":
    sys.exit(main())
