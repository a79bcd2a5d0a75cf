"""The watch after a repair in words: how far it has come, and how it ended."""

from busdoc.isolation.proposals.cure import CureOutcome, CureState, FaultRate
from busdoc.report.words.incidents import Channels, away_in_words, incident_in_words, ran_on_in_words
from busdoc.report.words.symptoms import asked_in_words, symptom_in_words
from busdoc.words.counting import first_few, times
from busdoc.words.duration import digits, span
from busdoc.words.probability import confidence

__all__ = ["cure_countdown", "cure_text", "cure_wanted"]


def cure_wanted(state: CureState) -> str:
    """Say what the watch waits for.

    >>> from busdoc.isolation.proposals.cure import CureOutcome
    >>> cure_wanted(CureState(outcome=CureOutcome.WATCHING, quiet_s=0.0, needed_s=9.0, confidence=0.0, pausing=False,
    ...     power_cycles=0, asked="code:hopper:SPN 3509 FMI 4"))
    'without SPN 3509 FMI 4 of hopper, and without incident'
    """
    complaint = _complaint(state)
    return f"without {complaint}, and without incident" if complaint else "without incident"


def _complaint(state: CureState) -> str:
    if state.asked is None:
        return ""
    return asked_in_words(state.asked) if state.complaint is None else symptom_in_words(state.complaint)


def cure_countdown(state: CureState) -> str:
    """Say how far the watch has come."""
    if state.pausing:
        left = "the machine is off or not heard: the clock stands still"
    elif state.awaits_start:
        left = "quiet, but it comes only after a start: switch the machine off and on"
    else:
        left = "quiet"
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
    complaint = _complaint(state)
    between = ""
    if state.power_cycles:
        often = times(state.power_cycles)
        between = f" It was switched off and on {often} in between; if nobody did that, it is an incident."
    if state.beside:
        between += f" Raised beside it: {first_few(state.beside)}."
    if state.showing is not None:
        return f"NOT CURED: {_showing(state, complaint, quiet)}.{between}"
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
    none = f"{complaint} did not show, and no incident came," if complaint else "no incident"
    if state.outcome is CureOutcome.CURED:
        return f"CURED, {confidence(state.confidence)} sure: {none} in {quiet}; {rate.words}.{between}"
    if state.awaits_start:
        return (
            f"NOT PROVED: {none} in {quiet}, but it comes only after a start, and there was none: switch the machine "
            f"off and on while it is watched.{between}"
        )
    left = span(max(0.0, state.needed_s - state.quiet_s))
    return (
        f"NOT LONG ENOUGH: {none} in {quiet}, {confidence(state.confidence)} sure; {rate.words}. "
        f"{left} more without {complaint or 'incident'} make it {confidence(rate.confidence(state.needed_s))}.{between}"
    )


def _showing(state: CureState, complaint: str, quiet: str) -> str:
    """Say that the complaint is there, and what that means."""
    if state.showing is not None and state.showing.not_yet_ns is None:
        return (
            f"{complaint} was there from the first. If it is one that stays until the power is cycled, cycle the power "
            "and watch again"
        )
    return f"{complaint} shows again after {quiet} of quiet"
