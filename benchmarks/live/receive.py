"""Receive and record two full buses: what it costs, what is lost, and whether memory stays flat.

`busdoc record` runs on two full buses of `senders`. Counted are the frames sent, the frames in the recording, the
process's own time on the processor, and its memory after a third and at the end.

    python -m benchmarks.live.receive [SECONDS] [FRAMES_PER_S]
"""

import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.live.senders import FRAMES_PER_S, Cost, Senders
from busdoc.capture.source import open_capture

GROUPS = ("239.74.163.41", "239.74.163.42")
SECONDS = 60.0


def main() -> None:
    """Run it, and print the figures."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    per_s = float(sys.argv[2]) if len(sys.argv) > 2 else FRAMES_PER_S
    with tempfile.TemporaryDirectory(prefix="live-receive-") as scratch:
        folder = Path(scratch) / "recording"
        options = [word for group in GROUPS for word in ("--bus", f"udp_multicast:{group}")]
        command = [sys.executable, "-m", "busdoc", "record", *options, "-o", str(folder), "--keep-free", "10MB"]
        recorder = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")
        time.sleep(2.0)
        senders = Senders(GROUPS, per_s, seconds)
        cost = Cost(recorder.pid, seconds)
        n_sent = senders.finish()
        time.sleep(1.0)
        recorder.send_signal(signal.SIGINT)
        said, _ = recorder.communicate()
        capture = open_capture([folder])
        n_recorded = sum(len(block) for block in capture.blocks())
        print(said, end="")
        print(f"sent {n_sent:,} ({n_sent / seconds:,.0f}/s), recorded {n_recorded:,}, missing {n_sent - n_recorded:,}")
        print(f"gaps {len(capture.gaps)}; {cost}")


if __name__ == "__main__":
    main()
