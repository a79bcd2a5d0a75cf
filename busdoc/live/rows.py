"""The roll call and the strip: each controller's state, and what it was in since the start."""

from collections.abc import Iterator, Mapping, Sequence

from busdoc.capture.channels import ChannelTable
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, Loss
from busdoc.health.presence.runs.spells import Fall, fall_of, find_spells, goes_on
from busdoc.health.summary import Health
from busdoc.isolation.verdict import Because
from busdoc.live.view import ControllerRow, StripSpan
from busdoc.report.words.spells import restarts_in_words
from busdoc.words.duration import duration

__all__ = ["controller_rows", "losses_by_controller"]

_AWAY = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.RESTART)
_MOST_SPANS = 400
"""Stretches of one controller that a strip is given; older ones are taken as steady."""

KnownLoss = tuple[Incident, Loss, bool]
"""(incident, the controller's part in it, whether an action explains it)."""


def losses_by_controller(incidents: Sequence[Incident], because: Sequence[Because]) -> dict[str, list[KnownLoss]]:
    """Gather each controller's losses and late stretches, ascending by time."""
    found: dict[str, list[KnownLoss]] = {}
    for incident, reason in zip(incidents, because, strict=True):
        if incident.kind not in (*_AWAY, IncidentKind.LATE):
            continue
        for loss in incident.losses:
            found.setdefault(loss.controller, []).append((incident, loss, reason.expected))
    for losses in found.values():
        losses.sort(key=lambda known: known[1].last_seen_ns)
    return found


def controller_rows(
    health: Health,
    losses: Mapping[str, Sequence[KnownLoss]],
    codes: Sequence[FaultCode],
    channels: ChannelTable,
) -> tuple[ControllerRow, ...]:
    """Give a row for each controller, in the order of the roll.

    Parameters
    ----------
    health : so far
    losses : of `losses_by_controller`
    codes : raised so far
    """
    return tuple(_row(one, health, losses.get(one.name, ()), codes, channels) for one in health.controllers)


def _row(
    one: ControllerHealth,
    health: Health,
    losses: Sequence[KnownLoss],
    codes: Sequence[FaultCode],
    channels: ChannelTable,
) -> ControllerRow:
    away = [known for known in losses if known[0].kind in _AWAY]
    spell = _spell(one, away, health.until_ns)
    state = one.state if spell or one.state is not ControllerState.RESTARTING else _apart_from_hands(away)
    spans = tuple(_spans(one, state, health, losses[-_MOST_SPANS:]))
    current = spans[-1] if spans else None
    since_ns = current.from_ns if current is not None and one.first_ns is not None else None
    return ControllerRow(
        name=one.name,
        channel="" if one.channel is None else channels.name(one.channel),
        state=state,
        since_ns=spell[0].last_seen_ns if spell else since_ns,
        dropouts=sum(not expected for _, _, expected in away),
        expected_off=bool(current is not None and current.expected and current.state is ControllerState.LOST),
        last_fault=restarts_in_words(spell) if spell else _last_fault(one, away, codes),
        spans=spans,
    )


def _spell(one: ControllerHealth, away: Sequence[KnownLoss], until_ns: int) -> list[Fall]:
    """Give the restarts of a controller that restarts over and over, those of the spell that goes on.

    What hands did counts for none: who is switched off and on for each test restarts each time, and is well.
    """
    if one.state is not ControllerState.RESTARTING:
        return []
    falls = [fall_of([loss]) for _, loss, expected in away if not expected]
    spells = find_spells(falls)
    last = falls[slice(*spells[-1])] if spells and spells[-1][1] == len(falls) else []
    return last if last and goes_on(last, until_ns) else []


def _apart_from_hands(away: Sequence[KnownLoss]) -> ControllerState:
    """Say how a controller stands whose restarts are the doing of hands."""
    if not away or away[-1][1].back_ns is None:
        return ControllerState.LOST
    return ControllerState.STARTING if away[-1][1].steady_ns is None else ControllerState.STEADY


def _spans(
    one: ControllerHealth, stands: ControllerState, health: Health, losses: Sequence[KnownLoss]
) -> Iterator[StripSpan]:
    """Cut the time from the start until now where the state changed."""
    until_ns = health.until_ns
    if one.first_ns is None:
        yield StripSpan(from_ns=health.start_ns, to_ns=until_ns, state=ControllerState.NEVER_SEEN)
        return
    at_ns = health.start_ns
    if one.first_ns > at_ns:
        yield StripSpan(from_ns=at_ns, to_ns=one.first_ns, state=ControllerState.NEVER_SEEN)
        at_ns = one.first_ns
    for k, (incident, loss, expected) in enumerate(losses):
        state = ControllerState.LATE if incident.kind is IncidentKind.LATE else ControllerState.LOST
        gone_ns = max(at_ns, loss.last_seen_ns)
        back_ns = until_ns if loss.back_ns is None else min(loss.back_ns, until_ns)
        if back_ns <= gone_ns:
            continue
        if gone_ns > at_ns:
            yield StripSpan(from_ns=at_ns, to_ns=gone_ns, state=ControllerState.STEADY)
        yield StripSpan(from_ns=gone_ns, to_ns=back_ns, state=state, expected=expected)
        at_ns = back_ns
        if loss.back_ns is None or state is ControllerState.LATE:
            continue
        next_ns = losses[k + 1][1].last_seen_ns if k + 1 < len(losses) else until_ns
        steady_ns = next_ns if loss.steady_ns is None else min(loss.steady_ns, next_ns)
        if loss.steady_ns is None and next_ns == until_ns and stands is ControllerState.STEADY:
            continue  # when it was in step again was not seen; that it is now, was
        if steady_ns > at_ns:
            yield StripSpan(from_ns=at_ns, to_ns=steady_ns, state=ControllerState.STARTING)
            at_ns = steady_ns
    if until_ns > at_ns:
        yield StripSpan(from_ns=at_ns, to_ns=until_ns, state=stands)


def _last_fault(one: ControllerHealth, away: Sequence[KnownLoss], codes: Sequence[FaultCode]) -> str:
    """Say what was wrong with it last: a code, or a loss that nothing explains."""
    said = [
        (code.last_ns, f"{code.code}{'' if code.active else ' (gone)'}")
        for code in codes
        if code.controller == one.name and code.occurrences
    ]
    for _, loss, expected in away:
        if not expected:
            lasted = "" if loss.back_ns is None else f" for {duration(loss.back_ns - loss.last_seen_ns)}"
            said.append((loss.onset_ns, f"lost{lasted}"))
    return max(said)[1] if said else ""
