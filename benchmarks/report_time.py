"""The time to write the record against that of the post-mortem, as a ratio in one run.

`python -m benchmarks.report_time [FRAMES]` makes a `.log` of ten million frames and a database of sixty messages (kept
in the temporary folder), analyses it, writes the HTML record, hashes of the files included, and prints both times.
"""

import sys
import tempfile
import time
from pathlib import Path

import busdoc
from benchmarks.traffic import make_database, make_log
from busdoc.report.record.html import prepare


def main() -> None:
    """Print the comparison."""
    n_frames = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks"
    folder.mkdir(exist_ok=True)
    capture, database = folder / f"traffic-{n_frames}.log", folder / "traffic.dbc"
    make_database(database)
    if not capture.exists():
        make_log(capture, n_frames)
    started_s = time.perf_counter()
    prepare([capture, database])
    result = busdoc.postmortem(capture, databases=database)
    analysed_s = time.perf_counter()
    record = busdoc.write_report(result, folder / "record.html")
    written_s = time.perf_counter()
    postmortem_s, report_s = analysed_s - started_s, written_s - analysed_s
    print(f"{len(result.incidents)} incidents, record {record.stat().st_size / 1e6:.2f} MB")
    print(f"post-mortem {postmortem_s:.2f} s, record {report_s:.2f} s, ratio {report_s / postmortem_s:.2f}")


if __name__ == "__main__":
    main()
