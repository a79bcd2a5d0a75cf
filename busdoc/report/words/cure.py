"""The watch after a repair in words: how far it has come, and how it ended."""

from busdoc.isolation.proposals.cure import CureOutcome, CureState, FaultRate
from busdoc.report.words.incidents import Channels, away_in_words, incident_in_words, ran_on_in_words
from busdoc.words.counting import first_few, times
from busdoc.words.duration import digits, span
from busdoc.words.probability import confidence

__all__ = ["cure_countdown", "cure_text"]


def cure_countdown(state: CureState) -> str:
    """Say how far the watch has come."""
    left = "the machine is off or not heard: the clock stands still" if state.pausing else "quiet"
    return (
        f"{left}, {digits(state.quiet_s)} of {digits(state.needed_s)}, "
        f"{span(max(0.0, state.needed_s - state.quiet_s))} to go ({confidence(state.confidence)})"
    )


def cure_text(state: CureState, rate: FaultRate, channels: Channels = ()) -> str:
    """Say in words how it ended.

    Parameters
    ----------
    channels : those that were watched; where there are several, a bus that fell silent is named
    """
    quiet = span(state.quiet_s)
    between = ""
    if state.power_cycles:
        often = times(state.power_cycles)
        between = f" It was switched off and on {often} in between; if nobody did that, it is an incident."
    if state.incident is not None:
        one = state.incident
        how = [away_in_words(one)]
        if one.p_restarted is not None:
            how.append(ran_on_in_words(one.ran_on, one.p_restarted))
        told = "; ".join(text for text in how if text)
        what = incident_in_words(one, channels)
        return f"NOT CURED: {what} after {quiet} of quiet{f' ({told})' if told else ''}."
    if state.missing:
        return f"NOT CURED: {first_few(state.missing)} not heard; nothing is proved."
    if state.outcome is CureOutcome.CURED:
        return f"CURED, {confidence(state.confidence)} sure: no incident in {quiet}; {rate.words}.{between}"
    left = span(max(0.0, state.needed_s - state.quiet_s))
    return (
        f"NOT LONG ENOUGH: no incident in {quiet}, {confidence(state.confidence)} sure; {rate.words}. "
        f"{left} more without incident make it {confidence(rate.confidence(state.needed_s))}.{between}"
    )
