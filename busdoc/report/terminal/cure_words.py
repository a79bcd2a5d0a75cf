"""The watch after a repair in words: how far it has come, and how it ended."""

import math

from busdoc.isolation.proposals.cure import CureOutcome, CureState, FaultRate
from busdoc.report.words.incidents import away_in_words, incident_in_words, names_in_words, ran_on_in_words
from busdoc.words.duration import span

__all__ = ["cure_countdown", "cure_text"]


def cure_countdown(state: CureState) -> str:
    """Say how far the watch has come."""
    left = "the machine is off or not heard: the clock stands still" if state.pausing else "quiet"
    return (
        f"{left}, {_clock(state.quiet_s)} of {_clock(state.needed_s)}, "
        f"{span(max(0.0, state.needed_s - state.quiet_s))} to go ({_percent(state.confidence)})"
    )


def cure_text(state: CureState, rate: FaultRate) -> str:
    """Say in words how it ended."""
    quiet = span(state.quiet_s)
    between = ""
    if state.power_cycles:
        many = "once" if state.power_cycles == 1 else f"{state.power_cycles} times"
        between = f" It was switched off and on {many} in between; if nobody did that, it is an incident."
    if state.incident is not None:
        one = state.incident
        how = [away_in_words(one)]
        if one.p_restarted is not None:
            how.append(ran_on_in_words(one.ran_on, one.p_restarted))
        told = "; ".join(text for text in how if text)
        return f"NOT CURED: {incident_in_words(one)} after {quiet} of quiet" + (f" ({told})." if told else ".")
    if state.missing:
        return f"NOT CURED: {names_in_words(state.missing)} not heard; nothing is proved."
    if state.outcome is CureOutcome.CURED:
        return f"CURED, {_percent(state.confidence)} sure: no incident in {quiet}; {rate.words}.{between}"
    left = span(max(0.0, state.needed_s - state.quiet_s))
    return (
        f"NOT LONG ENOUGH: no incident in {quiet}, {_percent(state.confidence)} sure; {rate.words}. "
        f"{left} more without incident make it {_percent(rate.confidence(state.needed_s))}.{between}"
    )


def _percent(share: float) -> str:
    """Write a probability; never a hundred per cent.

    >>> _percent(0.97), _percent(0.99999)
    ('97 %', 'more than 99.9 %')
    """
    if share > 0.999:
        return "more than 99.9 %"
    return f"{100 * share:.1f} %" if share >= 0.99 else f"{math.floor(100 * share)} %"


def _clock(seconds: float) -> str:
    """Write a duration as minutes and seconds.

    >>> _clock(192.0), _clock(math.inf)
    ('3:12', 'days')
    """
    if math.isinf(seconds):
        return "days"
    whole = int(seconds)
    hours = f"{whole // 3600}:" if whole >= 3600 else ""
    return f"{hours}{whole // 60 % 60:02d}:{whole % 60:02d}" if hours else f"{whole // 60}:{whole % 60:02d}"
