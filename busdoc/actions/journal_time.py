"""The three ways in which a journal gives a time, and how they meet the capture's clock.

    journal                            capture on Unix time           capture on its own zero
    1772359200.25     Unix seconds     as it is                       cannot be placed
    2026-03-01T11:00:00+01:00          as it is                       cannot be placed
    +12.5             after the first  first frame + 12.5 s           first frame + 12.5 s
    12.5              neither          as +12.5 (a spreadsheet eats   the capture's own clock
                                       the sign), with a warning

Digits become integers; no time passes through a float, which near today steps by 238 ns.
"""

import re
from dataclasses import dataclass
from datetime import date
from enum import Enum, auto

from busdoc.errors import InputError
from busdoc.times import SECOND_NS

__all__ = ["JournalClock", "PlacedTime", "TimeNote", "decimal_ns", "seconds_text"]

_DECIMAL = re.compile(r"([+-]{0,2})([0-9]{1,13})(?:[.,]([0-9]*))?")
_ISO = re.compile(
    r"([0-9]{4})-?([0-9]{2})-?([0-9]{2})[Tt ]"
    r"([0-9]{2}):?([0-9]{2})(?::?([0-9]{2})(?:[.,]([0-9]+))?)?"
    r"[ ]?([Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
_FIRST_UNIX_S = 100_000_000
"""1973: a smaller number of seconds cannot be a Unix time of any capture."""
_FIRST_UNIX_MS = 100_000_000_000
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_LATEST_NS = (1 << 62) - 1


class TimeNote(Enum):
    """What had to be assumed about a time."""

    AS_WRITTEN = auto()
    SIGN_LOST = auto()
    """Read as seconds after the first frame though it has no plus sign."""
    OWN_CLOCK = auto()
    """Read on the capture's own clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedTime:
    """A time on the capture's clock."""

    t_ns: int
    note: TimeNote = TimeNote.AS_WRITTEN


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalClock:
    """Places what a journal says on a capture's clock."""

    start_ns: int
    """The capture's first frame."""
    epoch: bool
    """The capture is on Unix time."""

    def place(self, text: str, where: str) -> PlacedTime:
        """Read one time.

        Raises
        ------
        InputError : when the text is not a time, or cannot be placed on this capture's clock
        """
        number = _DECIMAL.fullmatch(text)
        placed = self._iso(text, where) if number is None else self._number(number, text, where)
        if abs(placed.t_ns) > _LATEST_NS:
            raise InputError(where, "a time of this century", f'"{text}"', "Correct the number.")
        return placed

    def _number(self, number: re.Match[str], text: str, where: str) -> PlacedTime:
        sign, whole, fraction = number.groups()
        ns = _digits_ns(whole, fraction)
        if sign in ("+", "-", "+-", "-+"):
            return PlacedTime(t_ns=self.start_ns + (-ns if "-" in sign else ns))
        if sign:
            raise _not_a_time(text, where)
        if ns >= _FIRST_UNIX_MS * SECOND_NS:
            advice = "It looks like milliseconds; write seconds."
            raise InputError(where, "a time in seconds", f'"{text}"', advice)
        if ns < _FIRST_UNIX_S * SECOND_NS:
            if self.epoch:
                return PlacedTime(t_ns=self.start_ns + ns, note=TimeNote.SIGN_LOST)
            return PlacedTime(t_ns=ns, note=TimeNote.OWN_CLOCK)
        self._require_epoch(text, where)
        return PlacedTime(t_ns=ns)

    def _iso(self, text: str, where: str) -> PlacedTime:
        match = _ISO.fullmatch(text)
        if match is None:
            raise _not_a_time(text, where)
        year, month, day, hour, minute, second, fraction, zone = match.groups()
        if zone is None:
            advice = f'Add the zone the clock was set to, as in "{text}+01:00", or Z for UTC.'
            raise InputError(where, "an ISO 8601 time with its zone", f'"{text}"', advice)
        try:
            days = date(int(year), int(month), int(day)).toordinal() - _EPOCH_DAY
        except ValueError:
            raise _not_a_time(text, where) from None
        offset_min = 0 if zone in "Zz" else int(zone[1:3]) * 60 + int(zone[3:].lstrip(":") or 0)
        if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 59 or offset_min > 18 * 60:
            raise _not_a_time(text, where)
        self._require_epoch(text, where)
        minutes = (days * 24 + int(hour)) * 60 + int(minute) - (-offset_min if zone[0] == "-" else offset_min)
        return PlacedTime(t_ns=minutes * 60 * SECOND_NS + _digits_ns(second or "0", fraction))

    def _require_epoch(self, text: str, where: str) -> None:
        if not self.epoch:
            advice = (
                "The capture counts from its own zero, so a time of day cannot be placed in it; "
                'write seconds after its first frame, as "+12.5".'
            )
            raise InputError(where, "a time on the capture's clock", f'"{text}"', advice)


def decimal_ns(text: str) -> int | None:
    """Read unsigned decimal seconds as ns, digit by digit; None when the text is not that."""
    match = _DECIMAL.fullmatch(text)
    return _digits_ns(match.group(2), match.group(3)) if match and not match.group(1) else None


def seconds_text(ns: int) -> str:
    """Write ns as decimal seconds, exactly and without needless zeros.

    >>> seconds_text(1_500_000_000), seconds_text(-1), seconds_text(0)
    ('1.5', '-0.000000001', '0')
    """
    whole, fraction = divmod(abs(ns), SECOND_NS)
    digits = f".{fraction:09d}".rstrip("0") if fraction else ""
    return f"{'-' if ns < 0 else ''}{whole}{digits}"


def _digits_ns(whole: str, fraction: str | None) -> int:
    kept = (fraction or "")[:9]  # beyond a nanosecond nothing is known
    return int(whole) * SECOND_NS + (int(kept.ljust(9, "0")) if kept else 0)


def _not_a_time(text: str, where: str) -> InputError:
    advice = 'Write Unix seconds, "2026-03-01T11:00:00+01:00", or "+12.5" for seconds after the first frame.'
    return InputError(where, "a time", f'"{text[:60]}"' if text else "nothing", advice)
