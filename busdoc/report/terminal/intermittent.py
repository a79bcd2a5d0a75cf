"""The terminal's part on many dropouts: who falls together, how often, what goes before them, what to do next."""

from collections.abc import Iterator

from busdoc.analysis.result import Result
from busdoc.intermittent.intermittent import Intermittent
from busdoc.intermittent.rate_shape import Rate
from busdoc.report.terminal.wrapping import filled
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

__all__ = ["before_in_words", "intermittent_section", "number", "rate_in_words"]

_MOST_GROUPS = 3
_MOST_FINDINGS = 3


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
    lines += [_wrapped(text, width) for text in before_in_words(found)]
    yield "\n".join(lines)
    if found.advice:
        first_of_each = {one.kind: one for one in reversed(found.advice)}
        shown = enumerate((one for one in found.advice if first_of_each[one.kind] is one), start=1)
        advice = [_wrapped(one.words, width, f"  {n}. ", "     ") for n, one in shown]
        yield "\n".join(["What to do about the dropouts", *advice])


def before_in_words(found: Intermittent) -> Iterator[str]:
    """Yield what goes before the dropouts, the strongest first, or that nothing does, and how much was tried."""
    tried = found.tried
    standing = [finding for finding in found.findings if finding.beside is None]
    for finding in standing[:_MOST_FINDINGS]:
        of = f" ({', '.join(finding.controllers)})" if finding.controllers and len(found.rates) > 1 else ""
        yield f"Before them{of}: {finding.words}"
    n_more = len(found.findings) - len(standing[:_MOST_FINDINGS])
    if n_more:
        them = "it" if len(standing) == 1 else "these"
        yield f"and {n_more} more, weaker or along with {them} (--json has them all)."
    if found.findings:
        yield (
            f"({tried.kinds} kinds of events and {tried.signals} signals were tried; the chance that any of these is "
            "false is below 5 %.)"
        )
    elif tried.tests:
        yield (
            "Nothing that was recorded goes before the dropouts more often than chance; "
            f"{tried.kinds} kinds of events and {tried.signals} signals were tried."
        )


def rate_in_words(rate: Rate) -> str:
    """Say how often, with the interval, for how long, and what shape in time was found."""
    text = (
        f"{rate.n} dropouts in {duration(round(rate.watched_s * SECOND_NS))} watched: {number(rate.per_hour)} an hour "
        f"({number(rate.per_hour_low)} to {number(rate.per_hour_high)} with 95 %)"
    )
    if rate.outage.median_s is not None and rate.outage.longest_s is not None:
        text += (
            f"; away for {duration(round(rate.outage.median_s * SECOND_NS))} (median), "
            f"{duration(round(rate.outage.longest_s * SECOND_NS))} at most"
        )
    shapes = "; ".join(test.words for test in rate.tests if test.found)
    return f"{text}. {shapes[0].upper()}{shapes[1:]}." if shapes else f"{text}. No trend, no bursts beyond chance."


def _wrapped(text: str, width: int, first: str = "  ", more: str = "    ") -> str:
    return filled(text, width, first, more)


def number(value: float) -> str:
    """Write a rate to two digits."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.2g}"
