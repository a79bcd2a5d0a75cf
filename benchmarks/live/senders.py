"""Buses at full load, sent from processes of their own, and what a listening process costs meanwhile.

What two classical buses at 1 Mbit/s carry at full load is about 16,000 frames a second.
"""

import multiprocessing
import time
from collections.abc import Iterator, Sequence
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

__all__ = ["FRAMES_PER_S", "Cost", "Senders", "samples"]

FRAMES_PER_S = 16_000.0
_N_CONTROLLERS = 16
_N_STREAMS = 8


def send(group: str, per_s: float, seconds: float, n_sent: "Synchronized[int]") -> None:
    """Send at an even rate: eight streams of each of sixteen controllers; each frame holds its number."""
    import can

    bus = can.Bus(interface="udp_multicast", channel=group)
    start_s = time.perf_counter()
    n = 0
    while (elapsed_s := time.perf_counter() - start_s) < seconds:
        due = int(elapsed_s * per_s)
        while n < due:
            identifier = 0x18FF0000 | (n // _N_CONTROLLERS % _N_STREAMS) << 8 | n % _N_CONTROLLERS
            bus.send(can.Message(arbitration_id=identifier, data=n.to_bytes(8, "little")))
            n += 1
        time.sleep(0.001)
    n_sent.value = n
    bus.shutdown()


class Senders:
    """One sender for each UDP multicast group of the loopback interface, all together at `per_s` frames a second."""

    def __init__(self, groups: Sequence[str], per_s: float, seconds: float) -> None:
        self._counts = [multiprocessing.Value("q", 0) for _ in groups]
        self._processes = [
            multiprocessing.Process(target=send, args=(group, per_s / len(groups), seconds, n_sent))
            for group, n_sent in zip(groups, self._counts, strict=True)
        ]
        for process in self._processes:
            process.start()

    def finish(self) -> int:
        """Wait until they are through; give how many frames they sent."""
        for process in self._processes:
            process.join()
        return sum(count.value for count in self._counts)


class Cost:
    """What a process costs over some time, looked at every five seconds."""

    _EVERY_S = 5.0

    def __init__(self, pid: int, seconds: float) -> None:
        self._seen = list(samples(pid, seconds, self._EVERY_S))

    def __str__(self) -> str:
        third = len(self._seen) // 3
        (first_s, first_mb), (last_s, last_mb) = self._seen[third], self._seen[-1]
        apart_s = self._EVERY_S * (len(self._seen) - 1 - third) or 1.0
        return (
            f"{(last_s - first_s) / apart_s:.0%} of one core\n"
            f"memory {first_mb:.0f} MB after a third, {last_mb:.0f} MB at the end"
        )


def samples(pid: int, seconds: float, every_s: float) -> Iterator[tuple[float, float]]:
    """Yield a process's processor time in seconds and its resident memory in MB, as Linux' /proc has them."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        time.sleep(min(every_s, max(0.01, end_s - time.monotonic())))
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        memory_kb = int(status.partition("VmRSS:")[2].split()[0])
        yield (int(fields[11]) + int(fields[12])) / 100, memory_kb / 1000
