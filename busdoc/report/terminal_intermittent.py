"""The terminal's part on many dropouts: who falls together, how often, what goes before them, what to do next."""

from collections.abc import Iterator

from busdoc.isolation.rate_shape import Rate
from busdoc.report.result import Result
from busdoc.report.times import duration
from busdoc.report.wrapping import filled

__all__ = ["intermittent_section", "rate_in_words"]

_MOST_GROUPS = 3


def intermittent_section(result: Result, width: int) -> Iterator[str]:
    """Yield the section; nothing where there are fewer than three dropouts to explain."""
    found = result.intermittent
    if found is None:
        return
    lines = ["What the dropouts have in common"]
    lines += [_wrapped(group.words, width) for group in found.groups[:_MOST_GROUPS]]
    if len(found.groups) > _MOST_GROUPS:
        lines.append(f"  and {len(found.groups) - _MOST_GROUPS} more groups (--json has them all)")
    lines.append(_wrapped(rate_in_words(found.rates[0]), width))
    yield "\n".join(lines)


def rate_in_words(rate: Rate) -> str:
    """Say how often, with the interval, for how long, and what shape in time was found."""
    text = (
        f"{rate.n} dropouts in {duration(round(rate.watched_s * 1e9))} watched: {rate.per_hour:.2g} an hour "
        f"({rate.per_hour_low:.2g} to {rate.per_hour_high:.2g} with 95 %)"
    )
    if rate.outage.median_s is not None and rate.outage.longest_s is not None:
        text += (
            f"; away for {duration(round(rate.outage.median_s * 1e9))} (median), "
            f"{duration(round(rate.outage.longest_s * 1e9))} at most"
        )
    shapes = "; ".join(test.words for test in rate.tests if test.found)
    return f"{text}. {shapes[0].upper()}{shapes[1:]}." if shapes else f"{text}. No trend, no bursts beyond chance."


def _wrapped(text: str, width: int, first: str = "  ", more: str = "    ") -> str:
    return filled(text, width, first, more)
