"""Frames passed from a process that reads to the one that asked, through a pipe: numbers only, nothing that is run.

A message is one line of JSON, followed by its columns as the `.npy` format has them (NumPy Enhancement Proposal 1),
in which pickled objects are refused.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["Passed", "Sender", "receive"]

_COLUMNS = {"t_ns": "<i8", "channel": "u1", "id": "<u4", "flags": "<u2", "length": "u1", "data": "u1"}
_LONG = {"row": "<i8", "start": "<i8", "bytes": "u1"}
_LONGEST_HEAD = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """One message."""

    block: ReadBlock | None = None
    channels: tuple[str, ...] = ()
    """All channels so far."""
    skipped: tuple[tuple[int, str], ...] = ()
    """Lines left out since the last message, the first few of all."""
    n_skipped: int = 0
    """How many since the last message."""
    warnings: tuple[str, ...] = ()
    refused: tuple[str, str, str] | None = None
    """What was expected, what was found, what to do: the file cannot be used."""
    done: bool = False
    """Whether it is the last."""


class Sender:
    """Passes what a reading finds."""

    def __init__(self, reading: Reading, stream: IO[bytes]) -> None:
        self._reading = reading
        self._stream = stream
        self._plain = _Bytes(stream)
        self._n_named = self._n_skipped = 0

    def block(self, block: ReadBlock) -> None:
        """Pass frames."""
        frames = block.frames
        has_long = len(frames.long.row) > 0
        self._head(first_line=block.first_line, has_long=has_long)
        for name in _COLUMNS:
            self._array(getattr(frames, name))
        for name in _LONG if has_long else ():
            self._array(getattr(frames.long, name))
        self._stream.flush()

    def done(self) -> None:
        """Pass that there is no more."""
        self._head(done=True)
        self._stream.flush()

    def refused(self, expected: str, found: str, advice: str) -> None:
        """Pass why the file cannot be used."""
        self._head(refused=[expected, found, advice])
        self._stream.flush()

    def _head(self, **what: Any) -> None:
        skipped, reading = self._reading.skipped, self._reading
        named = skipped.first[self._n_named :]
        head = {
            "channels": reading.channel_names,
            "skipped": [[one.line, one.reason] for one in named],
            "n_skipped": skipped.total - self._n_skipped,
            "warnings": reading.warnings,
            **what,
        }
        self._n_named, self._n_skipped = len(skipped.first), skipped.total
        self._stream.write(json.dumps(head).encode("ascii") + b"\n")

    def _array(self, column: "np.ndarray[Any, Any]") -> None:
        np.lib.format.write_array(self._plain, np.ascontiguousarray(column), allow_pickle=False)


class _Bytes:
    """The pipe with nothing but `read` and `write`: numpy would seek in a file, or ask one where it stands."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream

    def read(self, n_bytes: int) -> bytes:
        return self._stream.read(n_bytes)

    def write(self, content: bytes) -> int:
        return self._stream.write(content)


def receive(stream: IO[bytes]) -> Iterator[Passed]:
    """Yield messages until the pipe ends; what breaks off in the middle, or is no message, ends it too."""
    plain = _Bytes(stream)
    while line := stream.readline(_LONGEST_HEAD):
        try:
            head = json.loads(line)
            block = _block(plain, head) if "first_line" in head else None
            passed = Passed(
                block=block,
                channels=tuple(str(name) for name in head["channels"]),
                skipped=tuple((int(number), str(reason)) for number, reason in head["skipped"]),
                n_skipped=int(head["n_skipped"]),
                warnings=tuple(str(text) for text in head["warnings"]),
                refused=None if "refused" not in head else (*map(str, head["refused"][:3]),),  # type: ignore[arg-type]
                done=bool(head.get("done")),
            )
        except (KeyError, TypeError, ValueError, EOFError):
            return
        yield passed


def _block(stream: _Bytes, head: dict[str, Any]) -> ReadBlock:
    columns: dict[str, Any] = {name: _array(stream, kind) for name, kind in _COLUMNS.items()}
    long = LongPayloads(**{name: _array(stream, kind) for name, kind in _LONG.items()}) if head["has_long"] else NO_LONG
    frames = FrameBlock(**columns, long=long)
    if len({len(column) for column in columns.values()}) != 1 or columns["data"].shape[1:] != (8,):
        raise ValueError("columns of different lengths")
    return ReadBlock(frames=frames, first_line=int(head["first_line"]))


def _array(stream: _Bytes, kind: str) -> "np.ndarray[Any, Any]":
    array = np.lib.format.read_array(stream, allow_pickle=False)  # type: ignore[arg-type]  # it only reads
    return np.asarray(array, np.dtype(kind))
