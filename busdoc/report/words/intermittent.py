"""How what many dropouts have in common is put into words: how often they come, and what goes before them."""

from collections.abc import Iterator

from busdoc.analysis.result import Result
from busdoc.intermittent.intermittent import Intermittent
from busdoc.intermittent.rate_shape import Rate
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted, per_hour, plural
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = ["before_in_words", "common_to", "rate_in_words"]

_MOST_FINDINGS = 3
_MOST_ALONG = 3


def common_to(result: Result, found: Intermittent) -> str:
    """Name what the section is about: those that answer to an action are left out, and are no more than told."""
    rate = found.rates[0]
    answered = rate.called == "dropout" and len(result.trouble.incidents) > rate.n_apart
    return f"{plural(2, rate.called)}{' that answer to no action' if answered else ''}"


def before_in_words(found: Intermittent) -> Iterator[str]:
    """Yield what goes before the dropouts, the strongest first, or that nothing does, and how much was tried."""
    if not found.precursors_told:
        return
    tried = found.tried
    standing = [finding for finding in found.findings if finding.beside is None]
    for finding in standing[:_MOST_FINDINGS]:
        of = f" ({', '.join(finding.controllers)})" if finding.controllers and len(found.rates) > 1 else ""
        yield f"Before them{of}: {finding.words}"
    for one in found.along[:_MOST_ALONG]:
        also = f", {', '.join(one.aliases[:2])}" if one.aliases else ""
        yield (
            f"Along with them: {one.name}{also}, with {one.n_preceded} of {counted(one.n_dropouts, one.called)}; "
            f"by chance with {one.expected_by_chance:.1f}. Which comes first is not told."
        )
    n_more = len(found.findings) - len(standing[:_MOST_FINDINGS])
    if n_more:
        them = plural(len(standing), "it", "these")
        yield f"and {n_more} more, weaker or along with {them} (--json has them all)."
    kinds = counted(tried.kinds, "kind of events", "kinds of events")
    what = f"{kinds} and {counted(tried.signals, 'signal')}"
    if found.findings:
        yield f"({what} were tried; the chance that any of these is false is below 5 %.)"
    elif tried.tests:
        many = plural(2, found.rates[0].called)
        yield f"Nothing that was recorded goes before the {many} more often than chance; {what} were tried."


def rate_in_words(rate: Rate) -> str:
    """Say how often, with the interval, for how long, and what shape in time was found."""
    watched = duration(round(rate.watched_s * SECOND_NS))
    text = (
        f"{counted(rate.n, rate.called)} in {watched} watched: {per_hour(rate.per_hour)} an hour "
        f"({per_hour(rate.per_hour_low)} to {per_hour(rate.per_hour_high)} with 95 %)"
    )
    if rate.outage.median_s is not None and rate.outage.longest_s is not None:
        how = "away" if rate.called == "dropout" else "showing"
        text += (
            f"; {how} for {duration(round(rate.outage.median_s * SECOND_NS))} (median), "
            f"{duration(round(rate.outage.longest_s * SECOND_NS))} at most"
        )
    shapes = "; ".join(test.words for test in rate.tests if test.found)
    return f"{text}. {capital(shapes)}." if shapes else f"{text}. No trend, no bursts beyond chance."
