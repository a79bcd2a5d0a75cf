"""Seconds and nanoseconds: the one place that knows how many of these make one of those.

Times are int64 nanoseconds inside and seconds as floats at the edges. Text becomes nanoseconds digit by digit, since a
float of Unix seconds steps by 238 ns near today.
"""

from typing import Final

__all__ = ["MILLISECOND_NS", "SECOND_NS", "clock", "nanoseconds", "nanoseconds_of_float", "seconds"]

SECOND_NS: Final = 1_000_000_000
MILLISECOND_NS: Final = 1_000_000


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


def seconds(t_ns: int) -> float:
    """Turn integer nanoseconds into seconds, as exactly as a float can hold them.

    A time near today is good to about 0.24 microseconds as a float; durations are far better.

    >>> seconds(1_500_000_000)
    1.5
    """
    whole, rest = divmod(t_ns, SECOND_NS)
    return whole + rest / SECOND_NS


def clock(t_ns: int, start_ns: int, *, epoch: bool) -> str:
    """Write an instant as time since the start of the capture, with the time of day (UTC) where it is known.

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
        from datetime import UTC, datetime

        text += f" ({datetime.fromtimestamp(t_ns // SECOND_NS, UTC):%H:%M:%S})"
    return text
