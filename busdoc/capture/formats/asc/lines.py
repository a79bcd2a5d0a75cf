"""The grammar of `.asc` captures: text, one event a line, times in seconds from the start of the measurement.

Written from the published text format as python-can documents it. Where the header says ``timestamps relative``, each
time counts from the line before. Where it has a date, times become Unix times; the format knows no zone.
"""

import re
from datetime import datetime

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.error_frame import (
    NO_ACK,
    ErrorDetail,
    bus_error,
    bus_error_of_code,
    controller_state,
)
from busdoc.capture.formats.grammar import Parsed
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, FrameLine
from busdoc.capture.formats.text.by_line import read_text
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, LENGTH_OF_CODE, REMOTE, TRANSMITTED
from busdoc.capture.reading import LATEST_NS, Reading
from busdoc.times import SECOND_NS, nanoseconds

__all__ = ["AscLines"]

_BASE = re.compile(r"base\s+(hex|dec)(?:\s+timestamps\s+(absolute|relative))?", re.IGNORECASE)
_DATE = re.compile(r"(?:date|begin\s+triggerblock)\s+(.+)", re.IGNORECASE)
_HEADER = re.compile(r"//|(?:no\s*)?internal\s+events\s+logged|begin\s|end\s+triggerblock", re.IGNORECASE)
_CLOCK = re.compile(
    r"(?:\w+\s+)?(?P<month>[^\W\d]+)\.?\s+(?P<day>\d+)\s+(?P<hour>\d+):(?P<minute>\d+):(?P<second>\d+)"
    r"(?:[.,](?P<fraction>\d+))?\s*(?P<half>[ap]m)?\s+(?P<year>\d{4})",
    re.IGNORECASE,
)
_STATUS = re.compile(
    r"Status:\s*chip status\s+(?:error\s+)?(?P<state>[\w ]+?)"
    r"(?:\s+-\s+TxErr:\s*(?P<tx>\d+)\s+RxErr:\s*(?P<rx>\d+))?\s*$",
    re.IGNORECASE,
)
_CODE = re.compile(r"ECC:\s*([01]{8})|CodeExt\s*=\s*0x([0-9A-F]+)", re.IGNORECASE)

_MOST_KNOWN = 1 << 16
_AGREE_NS = 2 * SECOND_NS

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_OTHER_MONTHS = {"mär": 3, "mrz": 3, "mai": 5, "okt": 10, "dez": 12, "fév": 2, "fev": 2, "avr": 4, "mag": 5, "aoû": 8}


class AscLines:
    """Reads lines in their order; remembers what the header said. Controller states become error-message frames."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._base = 16
        self._relative = False
        self._date_ns: int | None = None
        self._trigger_ns: int | None = None
        self._start_ns: int | None = None
        self._t_ns = 0
        self._state_of: dict[str, str] = {}
        self._name_of: dict[str, str] = {}
        self._id_of: dict[str, tuple[int, int]] = {}

    @property
    def layout(self) -> tuple[int, int, bool] | None:
        """The base of numbers, what times count from (None while that is not known), and whether from line to line."""
        return None if self._start_ns is None else (self._base, self._start_ns, self._relative)

    def read(self, line: bytes) -> Parsed:
        """Read the next line, without its newline."""
        return read_text(self.parse, line)

    def follow(self, t_ns: Int64Array) -> BoolArray | None:
        """Be given the times of the lines before the next one, from which that may count."""
        start_ns = self._start_ns or 0
        if not self._relative:
            self._t_ns = int(t_ns[-1]) - start_ns
            return None
        if abs(self._t_ns) + float(t_ns.sum(dtype=np.float64)) <= LATEST_NS // 4:
            since_ns = self._t_ns + np.cumsum(t_ns)
            self._t_ns = int(since_ns[-1])
            t_ns[:] = since_ns + start_ns
            return None
        # damage: sums that run out of range, beyond 64 bits too, and may come back
        beyond = np.zeros(len(t_ns), np.bool_)
        for row, step_ns in enumerate(t_ns.tolist()):
            self._t_ns += step_ns
            beyond[row] = abs(self._t_ns) > LATEST_NS // 4
            t_ns[row] = 0 if beyond[row] else self._t_ns + start_ns
        return beyond

    def parse(self, text: str) -> Parsed:
        """Read the next line as text that is not empty."""
        if not text[0].isdigit() and text[0] != "-":
            return self._header(text)
        fields = text.split()
        if "." not in fields[0]:
            return "not a line of an .asc capture"
        since_ns = nanoseconds(fields[0])
        self._t_ns = self._t_ns + since_ns if self._relative else since_ns
        if abs(self._t_ns) > LATEST_NS // 4:
            return TIME_OUT_OF_RANGE
        if self._start_ns is None:
            self._start_ns = self._start(since_ns)
        kind = fields[1] if len(fields) > 1 else ""
        if kind == "CANFD":
            return self._fd(fields)
        if kind == "CAN":
            return self._status(fields[2], text)
        if not kind.isdigit() or len(fields) < 3:
            return None  # the start of the measurement and other events
        if fields[2].lower() == "errorframe":
            return self._error(kind, text, sent=False)
        if len(fields) < 4 or fields[3].lower() not in ("rx", "tx"):
            return None  # statistics, rebuilt transport messages, requests to transmit
        return self._classical(fields)

    def _header(self, text: str) -> str | None:
        base = _BASE.match(text)
        if base:
            self._id_of.clear()
            self._base = 10 if base.group(1).lower() == "dec" else 16
            self._relative = (base.group(2) or "").lower() == "relative"
            return None
        date = _DATE.match(text)
        if date:
            if text[0] in "dD":
                self._date_ns = self._clock(date.group(1))
            elif self._trigger_ns is None:
                self._trigger_ns = self._clock(date.group(1))
            return None
        return None if _HEADER.match(text) else "not a line of an .asc capture"

    def _start(self, first_ns: int) -> int:
        """Decide what times count from, at the first of them.

        The date in the header is that of the measurement's start; some writers put the time of writing there, and the
        start behind ``Begin Triggerblock``. Where the two do not agree on the first time, the latter is right.
        """
        if self._date_ns is None or self._trigger_ns is None:
            return self._date_ns or self._trigger_ns or 0
        agree = abs(self._date_ns + first_ns - self._trigger_ns) <= _AGREE_NS
        return self._date_ns if agree else self._trigger_ns

    def _clock(self, text: str) -> int | None:
        """Read the date of the measurement's start; None, and a warning, when it is not understood."""
        match = _CLOCK.match(text.strip())
        month = match.group("month").lower()[:3] if match else ""
        number = _MONTHS.index(month) + 1 if month in _MONTHS else _OTHER_MONTHS.get(month)
        try:
            if match is None or number is None:
                raise ValueError
            hour = int(match.group("hour"))
            half = (match.group("half") or "").lower()
            if half:
                hour = hour % 12 + (12 if half == "pm" else 0)
            minute, second = int(match.group("minute")), int(match.group("second"))
            start = datetime(int(match.group("year")), number, int(match.group("day")), hour, minute, second)
            whole_ns = self._reading.unix_ns(start)
        except (ValueError, OverflowError):
            self._reading.warn(f"its date {text[:40]!r} is not understood; times count from the start of the file.")
            return None
        fraction = (match.group("fraction") or "")[:9].ljust(9, "0")
        return whole_ns + int(fraction)

    def _frame(self, channel: str, id_: int, flags: int, length: int, payload: bytes) -> FrameLine:
        name = self._name_of.get(channel)
        if name is None:
            name = self._name_of[channel] = str(int(channel) - 1)  # the format counts from 1
        return FrameLine(self._t_ns + (self._start_ns or 0), name, id_, flags, length, payload)

    def _identifier(self, text: str) -> tuple[int, int] | None:
        known = self._id_of.get(text)
        if known is not None:
            return known
        extended = text[-1:] in ("x", "X")
        number = int(text[:-1] if extended else text, self._base)
        if not 0 <= number <= (0x1FFFFFFF if extended else 0x7FF):
            return None
        if len(self._id_of) < _MOST_KNOWN:
            self._id_of[text] = (number, EXTENDED if extended else 0)
        return number, EXTENDED if extended else 0

    def _classical(self, fields: list[str]) -> FrameLine | str:
        identifier = self._identifier(fields[2])
        if identifier is None:
            return "an identifier out of range"
        id_, flags = identifier
        flags |= TRANSMITTED if fields[3].lower() == "tx" else 0
        kind = fields[4].lower()
        if kind == "r":
            asked = fields[5] if len(fields) > 5 and fields[5].isdigit() else "0"
            return self._frame(fields[1], id_, flags | REMOTE, min(int(asked, self._base), 8), b"")
        if kind != "d":
            return "neither data nor a remote frame"
        length = min(
            max(int(fields[5], self._base), 0), 8
        )  # a classical frame carries 8 bytes whatever its length code says above that
        payload = self._bytes(fields[6 : 6 + length])
        if len(payload) < length:
            return "fewer bytes than its length says"
        return self._frame(fields[1], id_, flags, length, payload)

    def _fd(self, fields: list[str]) -> FrameLine | str:
        channel, sent = fields[2], fields[3].lower() == "tx"
        if fields[4].lower() == "errorframe":
            return self._error(channel, " ".join(fields), sent=sent)
        identifier = self._identifier(fields[4])
        if identifier is None:
            return "an identifier out of range"
        rest = fields[5:] if _is_fd_head(fields[5:]) else fields[6:]  # a name may stand in between, even one of digits
        if not _is_fd_head(rest):
            return "an FD frame whose length and length code do not agree"
        id_, flags = identifier
        flags |= FD | (TRANSMITTED if sent else 0)
        flags |= (BRS if rest[0] == "1" else 0) | (ESI if rest[1] == "1" else 0)
        length = int(rest[3])
        if length == 0 and int(rest[2], 16):  # a remote frame; with a code of 0 it is an empty FD frame
            return self._frame(channel, id_, flags | REMOTE, min(int(rest[2], 16), 8), b"")
        payload = self._bytes(rest[4 : 4 + length])
        if len(payload) < length:
            return "fewer bytes than its length says"
        return self._frame(channel, id_, flags, length, payload)

    def _bytes(self, fields: list[str]) -> bytes:
        if self._base == 16:
            return bytes.fromhex("".join([field if len(field) == 2 else field.rjust(2, "0") for field in fields]))
        return bytes([int(field) for field in fields])

    def _error(self, channel: str, text: str, *, sent: bool) -> FrameLine:
        code = _CODE.search(text)
        detail: ErrorDetail = bus_error()
        if code:
            detail = bus_error_of_code(int(code.group(1), 2) if code.group(1) else int(code.group(2), 16) & 0xFF)
        elif "not acknowledge" in text.lower():
            detail = (detail[0] | NO_ACK, detail[1])
        return self._frame(channel, detail[0], ERROR | (TRANSMITTED if sent else 0), 8, detail[1])

    def _status(self, channel: str, text: str) -> FrameLine | None:
        """Give a change of the recorder's own controller's state; a state that only is repeated is none."""
        match = _STATUS.search(text)
        if match is None or not channel.isdigit():
            return None
        words = match.group("state").lower()
        state = next((known for known in ("passive", "warning", "active") if known in words), None)
        state = "bus-off" if "busoff" in words.replace(" ", "").replace("-", "") else state
        if state is None or self._state_of.get(channel, "active") == state:
            return None
        self._state_of[channel] = state
        tx, rx = match.group("tx"), match.group("rx")
        class_bits, data = controller_state(state, int(tx) if tx else None, int(rx) if rx else None)
        return self._frame(channel, class_bits, ERROR, 8, data)


def _is_fd_head(fields: list[str]) -> bool:
    """Whether fields begin with bit-rate switch, error state, length code and length, as an FD frame's must."""
    if len(fields) < 4 or fields[0] not in ("0", "1") or fields[1] not in ("0", "1"):
        return False
    if len(fields[2]) > 2 or not fields[3].isdigit():
        return False
    try:
        code = int(fields[2], 16)
    except ValueError:
        return False
    length = int(fields[3])
    return 0 <= code <= 15 and (length == 0 or length == LENGTH_OF_CODE[code])
