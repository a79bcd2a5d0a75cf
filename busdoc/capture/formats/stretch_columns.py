"""The columns that a compiled parser fills, and the stretch that becomes of them."""

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.lines import PADDING_BYTES
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads

__all__ = ["MOST_ODD", "StretchColumns"]

_LEAST_LONG = 12
"""More bytes that nine of payload take at least, in base 64."""
MOST_ODD = 1 << 15
"""Odd lines that a parser names at a time; there are few, or the file is junk."""


class StretchColumns:
    """Room for the frames of a stretch of text.

    Parameters
    ----------
    n_bytes : of the stretch
    shortest_line : bytes that every line with a frame has at least; bounds the rows
    """

    def __init__(self, n_bytes: int, shortest_line: int) -> None:
        most_rows = n_bytes // shortest_line + 1
        most_long = n_bytes // (shortest_line + _LEAST_LONG) + 1
        self.t_ns = np.empty(most_rows, np.int64)
        self.channel = np.empty(most_rows, np.uint8)
        self.identifier = np.empty(most_rows, np.uint32)
        self.flags = np.empty(most_rows, np.uint16)
        self.length = np.empty(most_rows, np.uint8)
        self.data = np.empty(most_rows, np.uint64)
        self.line_of_row = np.empty(most_rows, np.int32)
        self.long_row = np.empty(most_long, np.int64)
        self.long_start = np.empty(most_long + 1, np.int64)
        self.long_bytes = np.empty(n_bytes + PADDING_BYTES, np.uint8)
        self.odd = np.empty((MOST_ODD, 3), np.int64)

    def all(self) -> tuple[np.ndarray, ...]:
        """Give what every parser takes, in the order in which it takes it."""
        return (
            self.t_ns,
            self.channel,
            self.identifier,
            self.flags,
            self.length,
            self.data,
            self.line_of_row,
            self.long_row,
            self.long_start,
            self.long_bytes,
            self.odd,
        )

    def stretch(
        self, buffer: UInt8Array, n_rows: int, n_long: int, n_odd: int, n_lines: int, names: list[tuple[int, str]]
    ) -> Stretch:
        """Give what a parser filled.

        Parameters
        ----------
        buffer : the text
        n_rows, n_long, n_odd, n_lines : frames, long payloads, odd lines and all lines
        names : the row of each channel's first frame, and its name
        """
        long = NO_LONG
        if n_long:
            n_long_bytes = int(self.long_start[n_long])
            long = LongPayloads(
                row=self.long_row[:n_long].copy(),
                start=self.long_start[: n_long + 1].copy(),
                bytes=self.long_bytes[:n_long_bytes].copy(),
            )
        frames = FrameBlock(
            t_ns=self.t_ns[:n_rows],
            channel=self.channel[:n_rows],
            id=self.identifier[:n_rows],
            flags=self.flags[:n_rows],
            length=self.length[:n_rows],
            data=self.data[:n_rows].view(np.uint8).reshape(n_rows, 8),
            long=long,
        )
        odd = self.odd[:n_odd].tolist()
        return Stretch(
            frames=frames,
            line_of_row=None if n_lines == n_rows else self.line_of_row[:n_rows].astype(np.int64),
            names=names,
            odd=[(line, buffer[first:last].tobytes()) for first, last, line in odd],
            odd_ends=[last + 1 for _, last, _ in odd],
            n_lines=n_lines,
        )
