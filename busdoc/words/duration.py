"""How a duration is written for people: as they would say it, as a clock that runs, or in a narrow column."""

import math

from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["countdown", "digits", "duration", "in_column", "round_duration", "span"]


def duration(d_ns: int) -> str:
    """Write a duration the way a person would say it.

    >>> duration(312_000_000), duration(7_420_000_000), duration(94 * SECOND_NS), duration(5025 * SECOND_NS)
    ('312 ms', '7.4 s', '1 min 34 s', '1 h 23 min')
    """
    if d_ns < 0:
        return "-" + duration(-d_ns)
    if d_ns < 9_995_000:
        return f"{d_ns / MILLISECOND_NS:.2g} ms"
    if d_ns < 999_500_000:
        return f"{d_ns / MILLISECOND_NS:.0f} ms"
    if d_ns < 59_950 * MILLISECOND_NS:
        return f"{d_ns / SECOND_NS:.1f} s"
    whole_s = round(d_ns / SECOND_NS)
    if whole_s < 3600:
        return f"{whole_s // 60} min {whole_s % 60} s" if whole_s % 60 else f"{whole_s // 60} min"
    return f"{whole_s // 3600} h {whole_s % 3600 // 60} min"


def round_duration(d_ns: int) -> str:
    """Write a duration that somebody is asked to keep: whole seconds without a decimal.

    >>> round_duration(8 * SECOND_NS), round_duration(7_420_000_000)
    ('8 s', '7.4 s')
    """
    return duration(d_ns).replace(".0 s", " s")


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


def in_column(d_ns: int) -> str:
    """Write how long something has lasted, in at most six letters.

    >>> [in_column(s * SECOND_NS) for s in (0, 59, 754, 5025, 400_000)]
    ['0 s', '59 s', '12 min', '83 min', '111 h']
    """
    whole = max(0, d_ns) // SECOND_NS
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60} min" if whole < 6000 else f"{whole // 3600} h"


def countdown(d_ns: int) -> str:
    """Write a wait that is running down; the last second counts as one.

    >>> [countdown(d) for d in (42_000_000_001, SECOND_NS, 1, 0, 3_725 * SECOND_NS)]
    ['0:43', '0:01', '0:01', '0:00', '1:02:05']
    """
    return digits(-(-max(0, d_ns) // SECOND_NS))


def digits(seconds: float) -> str:
    """Write whole seconds as a clock shows them.

    >>> digits(192.9), digits(3_725), digits(math.inf)
    ('3:12', '1:02:05', 'days')
    """
    if math.isinf(seconds):
        return "days"
    whole = int(seconds)
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"
