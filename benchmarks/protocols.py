"""What the open protocols add to the post-mortem, as a ratio in one run.

`python -m benchmarks.protocols [FRAMES]` reads a `.log` of ten million frames (kept in the temporary folder), puts what
open protocols say among them (claims, fault codes in one frame and in twelve packets, other broadcasts, heartbeats:
about one frame in twenty), and times each part of the work by itself. Making and merging those frames is not counted.
"""

import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import numpy as np

from benchmarks.traffic import make_log
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.source import open_capture
from busdoc.decode.protocols.sign_watch import SignWatch
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.roll.identity import IdentityWatch
from busdoc.health.wire.wire import WireWatch

_SECOND_NS = 10**9
_Frame = tuple[int, int, int, bool, bytes]
Done = TypeVar("Done")


def _spoken_in_a_second(second: int) -> list[_Frame]:
    """Give what the open protocols say in one second: offset in ns, channel, identifier, extended, payload."""
    said: list[_Frame] = []
    twenty = b"\x04\xff" + b"".join(bytes([40 + n, 12, 4, 1]) for n in range(20))
    for controller in range(12):
        address, channel, offset = 0x10 + controller, controller % 2, controller * 7_000_000
        if second % 600 == 0:
            name = (0xA00002000000 << 16 | controller).to_bytes(8, "little")
            said.append((offset, channel, 0x18EEFF00 | address, True, name))
        if controller % 4:
            single = b"\x04\xff\xa8\x00\x04\x03\xff\xff" if second % 50 < 10 else b"\x00\xff\0\0\0\0\xff\xff"
            said.append((offset, channel, 0x18FECA00 | address, True, single))
        else:
            said += _broadcast(twenty, 0xFECA, address, channel, offset)
        if second % 5 == controller % 5:
            said += _broadcast(bytes(range(39)), 0xFEE3, address, channel, offset + 700_000_000)
    for node in range(1, 5):
        said += [(half * 500_000_000 + node * 1_000_000, 1, 0x700 + node, False, b"\x05") for half in (0, 1)]
    for beat in range(10):
        sequence = bytes([(second * 10 + beat) % 251]) + b"\xff" * 7
        said += [(beat * 100_000_000, 0, 0x0CF0E410 + controller, True, sequence) for controller in (0, 2)]
    return said


def _broadcast(payload: bytes, pgn: int, address: int, channel: int, offset_ns: int) -> list[_Frame]:
    n_packets = -(-len(payload) // 7)
    head = bytes([32, len(payload) & 0xFF, len(payload) >> 8, n_packets, 0xFF]) + pgn.to_bytes(3, "little")
    frames: list[_Frame] = [(offset_ns, channel, 0x1CECFF00 | address, True, head)]
    for n in range(n_packets):
        packet = bytes([n + 1]) + payload[7 * n : 7 * n + 7].ljust(7, b"\xff")
        frames.append((offset_ns + 50_000_000 * (n + 1), channel, 0x1CEBFF00 | address, True, packet))
    return frames


def _spoken(from_ns: int, to_ns: int) -> FrameBlock:
    """Give what is said in [from, to), in the order of time."""
    frames = [
        (second * _SECOND_NS + offset, channel, id_, extended, payload)
        for second in range(from_ns // _SECOND_NS - 1, to_ns // _SECOND_NS + 1)
        for offset, channel, id_, extended, payload in _spoken_in_a_second(second)
        if from_ns <= second * _SECOND_NS + offset < to_ns
    ]
    frames.sort(key=lambda frame: frame[0])
    return FrameBlock(
        t_ns=np.array([frame[0] for frame in frames], np.int64),
        channel=np.array([frame[1] for frame in frames], np.uint8),
        id=np.array([frame[2] for frame in frames], np.uint32),
        flags=np.array([FrameFlag.EXTENDED if frame[3] else 0 for frame in frames], np.uint16),
        length=np.array([len(frame[4]) for frame in frames], np.uint8),
        data=np.array([list(frame[4].ljust(8, b"\0")) for frame in frames], np.uint8).reshape(-1, 8),
    )


def _timed(seconds: dict[str, float], what: str, work: Callable[..., Done], *arguments: object) -> Done:
    started_s = time.perf_counter()
    done = work(*arguments)
    seconds[what] += time.perf_counter() - started_s
    return done


def _merged(blocks: Iterator[FrameBlock], seconds: dict[str, float]) -> Iterator[FrameBlock]:
    before_ns: int | None = None
    while True:
        block: FrameBlock | None = _timed(seconds, "reading", next, blocks, None)
        if block is None:
            return
        until_ns = int(block.t_ns[-1]) + 1
        spoken = _spoken(int(block.t_ns[0]) if before_ns is None else before_ns, until_ns)
        before_ns = until_ns
        both = FrameBlock.concat([block, spoken])
        yield both.take(np.argsort(both.t_ns, kind="stable").astype(np.int64))


def main() -> None:
    """Time the parts over one pass and print the ratio."""
    n_wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    folder = Path(tempfile.gettempdir()) / "busdoc-benchmarks"
    folder.mkdir(exist_ok=True)
    path = folder / f"traffic-{n_wanted}.log"
    if not path.exists():
        make_log(path, n_wanted)
    seconds: dict[str, float] = defaultdict(float)
    health, wire = HealthWatch(), WireWatch({})
    signs, codes, identity = SignWatch(), CodeWatch(names=lambda channel, address: str(address)), IdentityWatch()
    n_frames = last_ns = 0
    for block in _merged(open_capture([path]).blocks(), seconds):
        n_frames, last_ns = n_frames + len(block), int(block.t_ns[-1])
        _timed(seconds, "presence", health.feed, block)
        _timed(seconds, "wire", wire.feed, block)
        found = _timed(seconds, "signs", signs.feed, block)
        _timed(seconds, "codes", codes.feed, block)
        _timed(seconds, "identity", identity.feed, block, found)
    _timed(seconds, "presence", health.close, last_ns)
    _timed(seconds, "wire", wire.close, last_ns)
    listed = _timed(seconds, "codes", codes.codes, last_ns)
    _timed(seconds, "identity", identity.warnings, 0)
    added_s = seconds["signs"] + seconds["codes"] + seconds["identity"]
    other_s = (
        seconds["reading"] + seconds["presence"] + seconds["wire"] - seconds["signs"]
    )  # presence has signs of its own
    print(f"frames                     {n_frames:,}")
    for what, spent_s in seconds.items():
        print(f"{what:<26} {spent_s:.2f} s")
    print(f"codes listed               {len(listed)}")
    print(f"protocols add              {100 * added_s / other_s:.1f} % to the rest of the work")


if __name__ == "__main__":
    main()
