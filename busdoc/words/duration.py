"""How a duration is written for people: as they would say it."""

import math

from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["duration", "span"]


def duration(d_ns: int) -> str:
    """Write a duration the way a person would say it.

    >>> duration(312_000_000), duration(7_420_000_000), duration(94 * 10**9), duration(5025 * 10**9)
    ('312 ms', '7.4 s', '1 min 34 s', '1 h 23 min')
    """
    if d_ns < 0:
        return "-" + duration(-d_ns)
    if d_ns < 9_995_000:
        return f"{d_ns / 1e6:.2g} ms"
    if d_ns < 999_500_000:
        return f"{d_ns / 1e6:.0f} ms"
    if d_ns < 59_950 * MILLISECOND_NS:
        return f"{d_ns / SECOND_NS:.1f} s"
    whole_s = round(d_ns / SECOND_NS)
    if whole_s < 3600:
        return f"{whole_s // 60} min {whole_s % 60} s" if whole_s % 60 else f"{whole_s // 60} min"
    return f"{whole_s // 3600} h {whole_s % 3600 // 60} min"


def span(seconds: float) -> str:
    """Write how long to watch, or how long it was quiet: to the second, which is as exact as hands are.

    >>> span(8.0), span(94.3), span(5025.0), span(math.inf)
    ('8 s', '1 min 34 s', '1 h 23 min', 'days')
    """
    if math.isinf(seconds):
        return "days"
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    return duration(round(seconds) * SECOND_NS)
