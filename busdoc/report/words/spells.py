"""How restarts over and over are put into words: how often, how long up and down, what changed with what was done."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.words import act_in_words
from busdoc.analysis.result import Result
from busdoc.health.codes.code import CodeKind
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.presence.runs.spells import Fall, Times, fall_of, up_and_down
from busdoc.times import SECOND_NS, clock
from busdoc.words.counting import times
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = ["restarts_in_words", "spell_in_words"]

_AFTERWARDS_NS = 10 * SECOND_NS
"""An action so soon after the last restart may have ended them (common practice)."""
_MOST_ACTIONS = 8
_FALLS = (IncidentKind.RESTARTING, IncidentKind.RESTART, IncidentKind.DROPOUT)


def spell_in_words(result: Result, incident: Incident) -> tuple[str, ...]:
    """Say how long it was up and down each time, how that changed with what was done, and what it counted itself.

    Parameters
    ----------
    incident : of kind `RESTARTING`, one of those of `result`
    """
    falls = _falls(incident)
    return (_up_and_down(falls), *_with_actions(result, incident, falls), *_own_counters(result, incident))


def restarts_in_words(falls: Sequence[Fall]) -> str:
    """Say in a few words how often a controller restarted, and how long it was up and down.

    >>> falls = [Fall(last_seen_ns=k * SECOND_NS, back_ns=k * SECOND_NS + SECOND_NS // 4, announced=True, weight=4.0)
    ...          for k in range(5)]
    >>> restarts_in_words(falls)
    '5 restarts, up 750 ms, down 250 ms'
    """
    ups, downs = up_and_down(falls)
    text = f"{len(falls)} restarts, up {duration(ups.median_ns)}"
    return text if downs is None else f"{text}, down {duration(downs.median_ns)}"


def _falls(incident: Incident) -> list[Fall]:
    """Give each time that all of them were away."""
    width = len(incident.controllers)
    losses = incident.losses
    return [fall_of(losses[k : k + width]) for k in range(0, len(losses), width)]


def _up_and_down(falls: Sequence[Fall]) -> str:
    ups, downs = up_and_down(falls)
    text = f"Up for {_times(ups)} each time"
    return f"{text}, away for {_times(downs)}." if downs is not None else f"{text}."


def _times(each: Times) -> str:
    shortest, longest = duration(each.shortest_ns), duration(each.longest_ns)
    typical = duration(each.median_ns)
    return typical if shortest == longest else f"{typical} (median; {shortest} to {longest})"


def _with_actions(result: Result, incident: Incident, falls: Sequence[Fall]) -> Iterator[str]:
    """Say how often it restarted after each action in the spell or just after it, until the next action."""
    last_ns = falls[-1].back_ns or falls[-1].last_seen_ns
    actions = [action for action in result.actions if action.kind is not ActionKind.MARK]
    told = [
        (action, later.time_ns if later is not None else result.health.until_ns)
        for action, later in pairwise([*actions, None])
        if action is not None
        and action.kind is not ActionKind.POWER_OFF  # nothing restarts without power
        and falls[0].last_seen_ns < action.time_ns <= last_ns + _AFTERWARDS_NS
    ]
    every = _every_fall(result, incident.controllers)
    for action, until_ns in told[:_MOST_ACTIONS]:
        own = [fall for fall in every if action.time_ns < fall.last_seen_ns <= until_ns]
        yield f"{capital(_after(action))}: {_how_often(own, action, until_ns)}."
    if len(told) > _MOST_ACTIONS:
        yield f"And {len(told) - _MOST_ACTIONS} more actions."


def _every_fall(result: Result, controllers: Sequence[str]) -> list[Fall]:
    """Give each time that these controllers, and no others, were away and no action had taken them away."""
    falls = [
        fall
        for incident, because in zip(result.incidents, result.because, strict=True)
        if incident.kind in _FALLS and incident.controllers == tuple(controllers) and not because.expected
        for fall in _falls(incident)
    ]
    return sorted(falls, key=lambda fall: fall.last_seen_ns)


def _after(action: Action) -> str:
    return f"after {act_in_words(action)} (action {action.n})"


def _how_often(own: Sequence[Fall], action: Action, until_ns: int) -> str:
    if not own:
        return f"no restart in {duration(until_ns - action.time_ns)}"
    ups, _ = up_and_down(own)
    often = f"{times(len(own))} in {duration(max(own[-1].last_seen_ns, action.time_ns) - action.time_ns)}"
    return f"{often}, up for {duration(ups.median_ns)}" if len(own) > 1 else often


def _own_counters(result: Result, incident: Incident) -> Iterator[str]:
    """Set the controller's own count of its attempts beside ours."""
    for code in result.codes:
        if (
            code.kind is CodeKind.STATUS
            and code.controller_count is not None
            and code.controller in incident.controllers
        ):
            since = clock(code.first_ns, result.health.start_ns, epoch=result.capture.epoch)
            yield f"{code.code}: {code.text}, first {since}; it stands at {code.controller_count}."
