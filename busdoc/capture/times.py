"""Times as captures write them, to int64 nanoseconds."""

from datetime import datetime
from decimal import Decimal

from busdoc.capture.reading import Reading

__all__ = ["nanoseconds", "nanoseconds_of_float", "unix_ns"]


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
    decimal = Decimal(text)
    if not decimal.is_finite():
        raise ValueError(seconds)
    return int(decimal * 10**9)


def unix_ns(start: datetime, reading: Reading) -> int:
    """Give the Unix time of a wall clock without a zone, and say which zone was taken."""
    zone = reading.wall_clock
    reading.warn(f"its times are wall-clock times without a zone; they are read as {zone}.")
    return round(start.replace(tzinfo=zone, microsecond=0).timestamp()) * 10**9 + start.microsecond * 1000
