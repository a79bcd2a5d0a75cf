"""Seconds and nanoseconds: the one place that knows how many of these make one of those.

Times are int64 nanoseconds inside and seconds as floats at the edges. Text becomes nanoseconds digit by digit, since a
float of Unix seconds steps by 238 ns near today.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from busdoc.arrays import BoolArray, Float64Array, Int64Array

__all__ = [
    "MILLISECOND_NS",
    "SECOND_NS",
    "clock",
    "nanoseconds",
    "nanoseconds_of_float",
    "nanoseconds_of_floats",
    "seconds",
    "since_midnight_ns",
    "times_of_day_in",
    "wall_time",
    "zone_name",
    "zone_of",
    "zone_words",
]

SECOND_NS: Final = 1_000_000_000
MILLISECOND_NS: Final = 1_000_000

_UTC_NAME: Final = "UTC"
_LOCAL_NAME: Final = "local"
_shown: "ContextVar[tuple[str, tzinfo | None]]" = ContextVar("busdoc_zone")
"""Name and zone of the times of day that are written for people; a zone of None is the computer's own."""


def nanoseconds(seconds: str) -> int:
    """Give a decimal number of seconds in nanoseconds, exactly; digits beyond the ninth decimal are cut off.

    >>> nanoseconds("1700000000.123456"), nanoseconds("-0.5"), nanoseconds("3")
    (1700000000123456000, -500000000, 3000000000)

    Raises
    ------
    ValueError : for anything but digits with at most one point and a sign before them
    """
    whole, _, fraction = seconds.partition(".")
    is_negative = whole.startswith("-")
    digits = whole.removeprefix("-") + (fraction + "000000000")[:9]
    if not (whole and digits.isdigit() and digits.isascii()) or (len(fraction) > 9 and not fraction.isdigit()):
        raise ValueError(seconds)
    return -int(digits) if is_negative else int(digits)


def nanoseconds_of_float(seconds: float) -> int:
    """Give the nanoseconds that a float stands for: its shortest decimal text, which is what somebody once wrote.

    >>> nanoseconds_of_float(1700000000.123457)
    1700000000123457000

    Raises
    ------
    ValueError : when it is not finite
    """
    text = repr(float(seconds))
    if "e" not in text and "n" not in text:  # neither an exponent, nor inf nor nan
        return nanoseconds(text)
    from decimal import Decimal

    decimal = Decimal(text)
    if not decimal.is_finite():
        raise ValueError(seconds)
    return int(decimal * SECOND_NS)


def nanoseconds_of_floats(seconds: "Float64Array") -> "tuple[Int64Array, BoolArray]":
    """Give the nanoseconds that floats stand for, where six decimals or fewer tell one: most of a recorder's times.

    Six decimals that read as the same float are the only ones that do, up to the year 2106, where floats lie closer to
    one another than such decimals: they are its shortest text, or as much as that.

    Parameters
    ----------
    seconds : (n,)

    Returns
    -------
    (n,) what `nanoseconds_of_float` gives, and whether it is known; 0 where it is not
    """
    import numpy as np  # not for who asks for help alone

    with np.errstate(invalid="ignore", over="ignore"):
        micros = np.rint(seconds * 1e6)
        known = (micros / 1e6 == seconds) & (np.abs(seconds) < 1 << 32)
    return np.where(known, micros, 0).astype(np.int64) * 1000, known


def seconds(t_ns: int) -> float:
    """Turn integer nanoseconds into seconds, as exactly as a float can hold them.

    A time near today is good to about 0.24 microseconds as a float; durations are far better.

    >>> seconds(1_500_000_000)
    1.5
    """
    whole, rest = divmod(t_ns, SECOND_NS)
    return whole + rest / SECOND_NS


def clock(t_ns: int, start_ns: int, *, epoch: bool) -> str:
    """Write an instant as time since the start of the capture, with the time of day where it is known.

    UTC, or what `times_of_day_in` says.

    >>> clock(61_250_000_000, 0, epoch=False)
    '+01:01.250'
    >>> clock(1_700_000_061_250_000_000, 1_700_000_000_000_000_000, epoch=True)
    '+01:01.250 (22:14:21)'
    """
    since_ms = (t_ns - start_ns + 500_000) // 1_000_000
    sign = "-" if since_ms < 0 else "+"
    minutes, rest_ms = divmod(abs(since_ms), 60_000)
    text = f"{sign}{minutes:02d}:{rest_ms // 1000:02d}.{rest_ms % 1000:03d}"
    if minutes >= 60:
        text = f"{sign}{minutes // 60}:{minutes % 60:02d}:{rest_ms // 1000:02d}.{rest_ms % 1000:03d}"
    if epoch:
        text += f" ({wall_time(t_ns):%H:%M:%S})"
    return text


def zone_of(name: str) -> "tzinfo | None":
    """Look a time zone up by its name (IANA time zone database); None: ``local``, the computer's own.

    Raises
    ------
    InputError : there is none by this name
    """
    from datetime import UTC

    if name.lower() == _LOCAL_NAME:
        return None
    if name.upper() in (_UTC_NAME, "Z"):
        return UTC
    from zoneinfo import ZoneInfo, available_timezones

    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # not there; no name at all; a folder of names
        pass
    from difflib import get_close_matches

    from busdoc.errors import InputError

    by_small = {one.lower(): one for one in available_timezones()}
    cities = {small.rpartition("/")[2]: small for small in sorted(by_small)}
    typed = name.lower().replace(" ", "_")
    close = [typed] if typed in by_small else get_close_matches(typed, [*by_small, *cities], n=1)
    advice = f'Did you mean "{by_small[cities.get(close[0], close[0])]}"?' if close else "Write UTC, or local."
    raise InputError("--zone", "a time zone such as Europe/Berlin, or local", f'"{name}"', advice)


@contextmanager
def times_of_day_in(name: str | None) -> Iterator[None]:
    """Write times of day in a zone, as long as the context lasts.

    Parameters
    ----------
    name : of the zone, or ``local``; None: UTC

    Raises
    ------
    InputError : there is no such zone
    """
    if name is None:
        yield
        return
    zone = zone_of(name)
    token = _shown.set((_LOCAL_NAME if zone is None else str(zone), zone))
    try:
        yield
    finally:
        _shown.reset(token)


def wall_time(t_ns: int) -> "datetime":
    """Give an instant as date and time of day in the zone that is written.

    >>> f"{wall_time(1_700_000_061 * SECOND_NS):%Y-%m-%d %H:%M:%S}"
    '2023-11-14 22:14:21'
    >>> with times_of_day_in("Asia/Kolkata"):
    ...     f"{wall_time(1_700_000_061 * SECOND_NS):%Y-%m-%d %H:%M:%S}"
    '2023-11-15 03:44:21'
    """
    from datetime import UTC, datetime

    _, zone = _shown.get((_UTC_NAME, UTC))
    return datetime.fromtimestamp(t_ns // SECOND_NS, UTC).astimezone(zone)


def since_midnight_ns(t_ns: int) -> int:
    """Give how far the clock on the wall is from midnight at an instant, in the zone that is written.

    >>> since_midnight_ns(1_700_000_061 * SECOND_NS) // SECOND_NS  # 22:14:21
    80061
    >>> with times_of_day_in("Asia/Kolkata"):
    ...     since_midnight_ns(1_700_000_061 * SECOND_NS) // SECOND_NS  # 03:44:21
    13461
    """
    wall = wall_time(t_ns)
    return (wall.hour * 3600 + wall.minute * 60 + wall.second) * SECOND_NS + t_ns % SECOND_NS


def zone_words(t_ns: int) -> str:
    """Say in which zone times of day are written, with its distance from UTC at an instant.

    >>> zone_words(0)
    'UTC'
    >>> with times_of_day_in("Asia/Kolkata"):
    ...     zone_words(1_700_000_061 * SECOND_NS)
    'Asia/Kolkata (UTC+05:30)'
    """
    name = zone_name()
    if name == _UTC_NAME:
        return name
    offset = f"{wall_time(t_ns):%z}"
    return f"{'local time' if name == _LOCAL_NAME else name} (UTC{offset[:3]}:{offset[3:5]})"


def zone_name() -> str:
    """Give the name of the zone that times of day are written in: ``UTC``, ``local`` or one of the database."""
    return _shown.get((_UTC_NAME, None))[0]
