"""The grammar of `.trc` captures, versions 1.0 to 2.1: text, columns, times in milliseconds since a start."""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.error_frame import ErrorDetail, bus_error, controller_state
from busdoc.capture.formats.grammar import Parsed
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, FrameLine
from busdoc.capture.formats.text.by_line import read_text
from busdoc.capture.frames import ERROR, EXTENDED, FD, LENGTH_OF_CODE, REMOTE, TRANSMITTED, FrameFlag
from busdoc.capture.reading import LATEST_NS, Reading
from busdoc.times import SECOND_NS

__all__ = ["TrcLines"]

_FLAGS_OF_TYPE = {
    "Rx": 0,
    "Tx": TRANSMITTED,
    "DT": 0,
    "RR": REMOTE,
    "FD": FD,
    "FB": FD | int(FrameFlag.BRS),
    "FE": FD | int(FrameFlag.BRS) | int(FrameFlag.ESI),
    "BI": FD | int(FrameFlag.ESI),
}
_COLUMNS_1 = {"1.0": "NOIlD", "1.1": "NOTIlD", "1.2": "NOBTIlD", "1.3": "NOBTIRlD"}
"""Columns of the versions that do not name them, by the letters of those that do; 1.2 from memory."""

_MOST_KNOWN = 1 << 16
_DAY_NS = 86_400 * SECOND_NS
_DAYS_FROM_1899_TO_1970 = 25_569
_BYTE = re.compile(r"[0-9A-Fa-f]{2}")
_STATE_OF_BIT = ((0x10, "bus-off"), (0x40000, "passive"), (0x08, "warning"), (0x04, "warning"), (0x02, "overflow"))
"""Bits of the recorder's status word (from memory), the gravest first."""
_ERROR_KINDS = {1: "bit", 2: "form", 4: "stuff"}


class TrcLines:
    """Reads lines in their order; remembers what the header said. Status and error rows become error-message frames."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._start_ns = 0
        self._name_of: dict[str, str] = {}
        self._id_of: dict[str, tuple[int, int]] = {}
        self._use_columns(_COLUMNS_1["1.0"])

    def _use_columns(self, columns: Sequence[str]) -> None:
        self._columns = {column: place for place, column in enumerate(columns)}
        self._is_code = "l" not in self._columns
        self._at_length = self._columns["L" if self._is_code else "l"]
        self._letters = _letters(self._columns, columns)

    @property
    def layout(self) -> tuple[str, int] | None:
        """The letters of the columns before the data, and what times count from; None for columns of another kind."""
        return None if self._letters is None else (self._letters, self._start_ns)

    def read(self, line: bytes) -> Parsed:
        """Read the next line, without its newline."""
        return read_text(self.parse, line)

    def follow(self, t_ns: Int64Array) -> BoolArray | None:
        """Nothing that later lines depend on."""

    def parse(self, text: str) -> Parsed:
        """Read the next line as text that is not empty."""
        if text.startswith(";"):
            self._header(text)
            return None
        at = self._columns
        fields = text.split(maxsplit=at["D"])
        if not fields[0].rstrip(")").isdecimal():
            return "not a line of a .trc capture"
        t_ns = _nanoseconds(fields[at["O"]])
        if not 0 <= t_ns <= LATEST_NS // 4:
            return TIME_OUT_OF_RANGE
        t_ns += self._start_ns
        kind = fields[at["T"]] if "T" in at else ("Warng" if fields[at["I"]] == "FFFFFFFF" else "Rx")
        flags = _FLAGS_OF_TYPE.get(kind)
        if flags is not None:
            if "d" in at and fields[at["d"]] == "Tx":
                flags |= TRANSMITTED
            return self._frame(fields, t_ns, flags)
        if kind in ("ST", "ER", "EC", "Warng", "Error"):
            return self._status(kind, text.split(), t_ns)
        return None  # an event that a person wrote, or one that other buses have

    def _frame(self, fields: list[str], t_ns: int, flags: int) -> FrameLine | str:
        at = self._columns
        id_text = fields[at["I"]]
        known = self._id_of.get(id_text) or self._identifier(id_text)
        if known is None:
            return "an identifier out of range"
        id_, id_flags = known
        flags |= id_flags
        number = int(fields[self._at_length])
        if self._is_code and 0 <= number <= 15:
            number = LENGTH_OF_CODE[number] if flags & FD else min(number, 8)
        if not 0 <= number <= (64 if flags & FD else 8):
            return "a length out of range"
        data = fields[at["D"]] if len(fields) > at["D"] else ""
        if flags & REMOTE or data.startswith("RTR"):
            return FrameLine(t_ns, self._channel(fields), id_, flags | REMOTE, number, b"")
        payload = bytes.fromhex(data[: 3 * number])
        if len(payload) != number:
            return "fewer bytes than its length says"
        return FrameLine(t_ns, self._channel(fields), id_, flags, number, payload)

    def _identifier(self, text: str) -> tuple[int, int] | None:
        id_, flags = int(text, 16), EXTENDED if len(text) > 4 else 0
        if not 0 <= id_ <= (0x1FFFFFFF if flags else 0x7FF):
            return None
        if len(self._id_of) < _MOST_KNOWN:
            self._id_of[text] = (id_, flags)
        return id_, flags

    def _channel(self, fields: list[str]) -> str:
        """Name the bus; the format counts from 1."""
        at = self._columns.get("B")
        if at is None:
            return "0"
        name = self._name_of.get(fields[at])
        if name is None:
            name = self._name_of[fields[at]] = str(int(fields[at]) - 1)
        return name

    def _status(self, kind: str, fields: list[str], t_ns: int) -> FrameLine | None:
        """Give a status or error row as an error-message frame; its layout is from memory of the format's manual."""
        at_kind = self._columns.get("T", self._columns["I"])
        hexes = [int(text, 16) for text in fields[at_kind + 1 :] if _BYTE.fullmatch(text)]
        detail: ErrorDetail | None = None
        if kind in ("ST", "Warng") and len(hexes) >= 4:
            word = int.from_bytes(bytes(hexes[-4:]), "big")
            state = next((state for bit, state in _STATE_OF_BIT if word & bit), "active")
            detail = controller_state(state)
        elif kind == "EC" and len(hexes) >= 2:
            detail = controller_state("active", tx_errors=hexes[-1], rx_errors=hexes[-2])
        elif kind in ("ER", "Error"):
            types = [text for text in fields[at_kind + 1 :] if re.fullmatch(r"000[1248]", text)]
            what = int(types[0], 16) if types else (hexes[-5] if len(hexes) >= 5 else 0)
            place = hexes[-3] & 0x1F if len(hexes) >= 4 else 0
            detail = bus_error(_ERROR_KINDS.get(what, ""), place=place)
        if detail is None:
            return None
        return FrameLine(t_ns, self._channel(fields), detail[0], ERROR, 8, detail[1])

    def _header(self, text: str) -> None:
        key, _, value = text.partition("=")
        value = value.strip()
        if key == ";$FILEVERSION":
            if value in _COLUMNS_1:
                self._use_columns(_COLUMNS_1[value])
        elif key == ";$COLUMNS":
            columns = [column.strip() for column in value.split(",")]
            if {"N", "O", "T", "I", "d", "D"} <= set(columns) and {"l", "L"} & set(columns):
                self._use_columns(columns)
            else:
                self._reading.warn(f"its columns {value[:60]!r} lack one that a frame needs.")
        elif key == ";$STARTTIME":
            self._start(value)

    def _start(self, days_text: str) -> None:
        try:
            n_ns = int((Decimal(days_text) - _DAYS_FROM_1899_TO_1970) * _DAY_NS)
            if not 0 <= n_ns <= LATEST_NS // 2:
                raise ValueError
            whole = datetime.fromtimestamp(n_ns // SECOND_NS, tz=UTC).replace(tzinfo=None)
            self._start_ns = self._reading.unix_ns(whole) + n_ns % SECOND_NS
        except (ArithmeticError, ValueError):
            self._reading.warn(f"its start time {days_text[:40]!r} is no date; times count from the start of the file.")


def _letters(places: Mapping[str, int], columns: Sequence[str]) -> str | None:
    """Give the columns before the data by their letters, ``?`` for one that is not looked at.

    None where a frame's fields do not all stand there, the number first.
    """
    looked_at = {letter: places[letter] for letter in "NOTBId" if letter in places}
    length = "l" if "l" in places else "L"
    looked_at[length] = places[length]
    if columns[0] != "N" or max(looked_at.values()) > places["D"]:
        return None
    before = columns[: places["D"]]
    return "".join(letter if looked_at.get(letter) == place else "?" for place, letter in enumerate(before))


def _nanoseconds(milliseconds: str) -> int:
    """Give milliseconds in nanoseconds, digit for digit.

    >>> _nanoseconds("17535.4"), _nanoseconds("7")
    (17535400000, 7000000)
    """
    whole, _, fraction = milliseconds.partition(".")
    digits = whole + (fraction + "000000")[:6]
    if not (whole and digits.isdecimal()):
        raise ValueError(milliseconds)
    return int(digits)
