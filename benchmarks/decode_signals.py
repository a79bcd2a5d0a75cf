"""How fast signals are decoded, against cantools one frame at a time, in one run.

    python -m benchmarks.decode_signals [FRAMES]

Sixty messages of eight signals: half of them big endian, half signed, some multiplexed, up to 24 bits. cantools decodes
a fiftieth of the frames and is scaled. What both say is compared on those.
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database, load_databases
from busdoc.decode.signals.signals import SignalColumn, SignalStatus, decode
from busdoc.decode.signals.watch import SignalWatch

N_MESSAGES = 60
BLOCK_FRAMES = 500_000
Columns = list[dict[str, SignalColumn]]


def make_database(path: Path) -> None:
    """Write sixty 11-bit messages of eight signals each; every tenth is multiplexed."""
    lines = ['VERSION ""', "", "BS_:", "", "BU_: pump", ""]
    for number in range(N_MESSAGES):
        lines.append(f"BO_ {0x100 + number} Message{number}: 8 pump")
        multiplexed = number % 10 == 0
        lines.append(f' SG_ S0 {"M " if multiplexed else ""}: 0|1@1+ (1,0) [0|0] "" pump')
        for at in range(1, 8):
            branch = f"m{at % 2} " if multiplexed and at > 5 else ""
            scale, offset = (("1", "0"), ("0.5", "-40"), ("0.125", "0"))[at % 3]
            place = f"{8 * at}|8@1" if (at + number) % 2 else f"{8 * at + 7}|8@0"
            sign = "-" if at % 4 > 1 else "+"
            lines.append(f' SG_ S{at} {branch}: {place}{sign} ({scale},{offset}) [0|0] "" pump')
        lines.append("")
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")


def make_frames(n_frames: int) -> FrameBlock:
    """Make frames of random content, their messages in no order."""
    random = np.random.default_rng(1)
    return FrameBlock(
        t_ns=np.arange(n_frames, dtype=np.int64) * 100_000,
        channel=np.zeros(n_frames, np.uint8),
        id=random.integers(0x100, 0x100 + N_MESSAGES, n_frames).astype(np.uint32),
        flags=np.zeros(n_frames, np.uint16),
        length=np.full(n_frames, 8, np.uint8),
        data=random.integers(0, 256, (n_frames, 8), np.uint8),
    )


def rows_of(block: FrameBlock) -> list[Int64Array]:
    """Give each message's rows."""
    by_message = np.argsort(block.id.astype(np.uint16), kind="stable")  # 16 bits sort in one pass
    edges = np.searchsorted(block.id[by_message], 0x100 + np.arange(N_MESSAGES + 1))
    return [by_message[first:last] for first, last in pairwise(edges)]


def decode_all(database: Database, block: FrameBlock) -> None:
    """Decode block by block, as a capture comes, and let go of each message's columns."""
    for part in parts(block):
        for message, rows in zip(database.messages, rows_of(part), strict=True):
            decode(message, part, rows)


def parts(block: FrameBlock) -> Iterator[FrameBlock]:
    """Cut the frames into blocks."""
    for first in range(0, len(block), BLOCK_FRAMES):
        yield block.slice(first, min(len(block), first + BLOCK_FRAMES))


def decode_with_cantools(theirs: Any, block: FrameBlock, last: int) -> list[dict[str, float]]:
    """Decode frame by frame."""
    payloads = block.data[:last].tobytes()
    ids = block.id[:last].tolist()
    return [theirs.decode_message(ids[row], payloads[8 * row : 8 * row + 8]) for row in range(last)]


def compare(columns: Columns, rows: list[Int64Array], decoded: list[dict[str, float]]) -> int:
    """Count the values that are not the same."""
    n_wrong = 0
    for number, mine in enumerate(columns):
        for name, column in mine.items():
            for at, row in enumerate(rows[number].tolist()):
                if row >= len(decoded):
                    break
                absent = column.status[at] == SignalStatus.ABSENT
                expected = decoded[row].get(name)
                n_wrong += absent != (expected is None) or (not absent and column.values[at] != expected)
    return n_wrong


def seconds(work: Any) -> tuple[float, Any]:
    """Time a call."""
    start_s = time.perf_counter()
    result = work()
    return time.perf_counter() - start_s, result


def watch(database: Database, block: FrameBlock, *, compiled: bool) -> None:
    """Reduce every signal to what the analysis needs, in blocks."""
    signals = SignalWatch(database, compiled=compiled)
    for part in parts(block):
        signals.feed(part)
    signals.summaries()


def main() -> None:
    """Make the frames once, time all, print the ratios."""
    n_frames = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sixty.dbc"
        make_database(path)
        import_s, _ = seconds(lambda: load_databases([path]))
        load_s, database = seconds(lambda: load_databases([path]))
        import cantools.database

        theirs = cantools.database.load_file(path)
    block = make_frames(n_frames)
    last = n_frames // 50
    first = block.slice(0, last)
    can_s, decoded = seconds(lambda: decode_with_cantools(theirs, block, last))
    n_values = sum(len(values) for values in decoded)
    their_rate = n_values / can_s
    total = n_values * 50
    print(f"database           {N_MESSAGES * 8} signals, loaded in {load_s:.3f} s ({import_s:.3f} s with the import)")
    print(f"frames             {n_frames}, about {total / 1e6:.0f} M values")
    print(f"cantools           {their_rate / 1e6:.2f} M values/s, one frame at a time")
    rows = rows_of(first)
    wrong = compare([decode(message, first, rows[at]) for at, message in enumerate(database.messages)], rows, decoded)
    took_s = min(seconds(lambda: decode_all(database, block))[0] for _ in range(5))
    rate = total / took_s
    print(
        f"decode             {rate / 1e6:.0f} M values/s ({took_s:.2f} s), {rate / their_rate:.0f} times cantools;"
        f" {wrong} values differ"
    )
    for name, compiled in (("numpy", False), ("compiled", True)):
        took_s = min(seconds(lambda compiled=compiled: watch(database, block, compiled=compiled))[0] for _ in range(5))
        print(
            f"watch, {name:9s}   {n_frames / took_s / 1e6:.1f} M frames/s ({took_s:.2f} s),"
            f" {total / took_s / their_rate:.0f} times cantools's decoding alone"
        )


if __name__ == "__main__":
    main()
