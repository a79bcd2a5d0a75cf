"""Returns: how every controller came back after each power-up, from what the watches saw, the map and the journal.

The post-mortem and `busdoc resync` share this, so that one pass over the frames gives both.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.case import Case
from busdoc.analysis.watches import Watches
from busdoc.decode.signals.signals import SignalStatus
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.health.phases.recognise import recognised
from busdoc.health.summary import Health
from busdoc.machine.machine import Machine, PartKind
from busdoc.resync_check.changes import Change, changes_against, is_new
from busdoc.resync_check.facts import expected_name_of, follow_return, moved_to, symptoms_of_all, with_moved
from busdoc.resync_check.heard import Heard
from busdoc.resync_check.power_up import Group, Opening, find_power_ups
from busdoc.resync_check.records import Expectation, FoundBy, PowerUp, PowerUpReturn, Switched
from busdoc.resync_check.verdict import give_verdicts, judge_symptoms, judge_wake
from busdoc.symptoms.symptom import Symptom

__all__ = ["Returns", "expectations", "find_returns"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Returns:
    """All power-ups of a recording, or of a live bus so far."""

    opening: Opening
    power_ups: tuple[PowerUpReturn, ...]
    """Ascending by time."""
    changes: tuple[Change, ...]
    """What is not as it was when the map's baseline was learnt."""


def find_returns(
    case: Case,
    watches: Watches,
    health: Health,
    codes: Sequence[FaultCode],
    actions: Sequence[Action],
    *,
    symptoms: Sequence[Symptom] = (),
    listened_from_ns: int | None = None,
) -> Returns:
    """Judge every power-up.

    Parameters
    ----------
    case : the machine and the channels
    watches : what followed the frames
    health, codes : as they judged
    actions : the journal's
    symptoms : conditions on signals, and what was asked for of a bus; they are to be gone after a power-up
    listened_from_ns : since when was listened, where that was before the first frame
    """
    machine = case.machine
    # who dips while the starter turns starts as it should
    known = recognised(health, watches.engine(), power_told=True)
    heard = Heard(watches.arrivals(), watches.signs, known.incidents, codes, known.gaps, symptoms)
    groups = _groups(machine, health)
    switched = (*_switched(actions, groups), *_by_signal(machine, watches, health, groups))
    opening, power_ups = find_power_ups(
        health.controllers,
        groups,
        switched,
        health.incidents,
        watches.signs,
        health.start_ns,
        health.until_ns,
        listened_from_ns=listened_from_ns,
    )
    expected = expectations(case, actions)
    returns = tuple(_follow(one, heard, health, expected, machine) for one in power_ups)
    return Returns(
        opening=opening,
        power_ups=returns,
        changes=changes_against(machine, case.channels, health, returns),
    )


def _follow(
    power_up: PowerUp, heard: Heard, health: Health, expected: Mapping[str, Expectation], machine: Machine
) -> PowerUpReturn:
    known = bool(machine.controllers)
    by_name = {one.name: one for one in health.controllers}
    power_up = with_moved(heard, power_up, _moves(power_up, heard, by_name, expected))
    returns = []
    for name in power_up.controllers:
        one = by_name.get(name)
        if one is None or (not known and not _is_due(one, power_up)):
            continue
        returns.append(follow_return(heard, power_up, one, expected.get(name, Expectation(name=name))))
    moved = {one.moved_to for one in returns if one.moved_to is not None}
    returns = [one for one in returns if known or by_name[one.name].identity.address not in moved]
    exchanged = frozenset(name for name, one in expected.items() if one.may_be_exchanged)
    new = tuple(
        one.name
        for one in health.controllers
        if is_new(one, machine)
        and (one.identity.address is None or one.identity.address not in moved)
        and power_up.zero_ns is not None
        and one.first_ns is not None
        and one.first_ns < power_up.until_ns
        and one.last_ns is not None
        and one.last_ns >= power_up.zero_ns
    )
    wake = machine.wake if power_up.feed is None else machine.parts[power_up.feed].wake
    found = PowerUpReturn(
        power_up=power_up,
        controllers=give_verdicts(power_up, returns, exchanged),
        new=new,
        wake_usual_ns=wake.usual_ns,
        wake_limit_ns=wake.limit_ns,
    )
    return judge_wake(judge_symptoms(found, symptoms_of_all(heard, found)))


def _by_signal(machine: Machine, watches: Watches, health: Health, groups: Sequence[Group]) -> list[Switched]:
    """Give when the signal of a feed says that it was switched on: within one period of its frame before."""
    if watches.signals is None:
        return []
    by_feed = {group.feed: group.controllers for group in groups}
    periods_ns = {
        (stream.key.channel, stream.key.id): stream.period_ns or 0
        for one in health.controllers
        for stream in one.streams
    }
    found: list[Switched] = []
    for feed in machine.parts.values():
        if feed.kind is not PartKind.FEED or feed.signal is None:
            continue
        changes = watches.signals.transitions(feed.signal)
        on = (changes.value != 0) & (changes.status == SignalStatus.VALID)
        found += [
            Switched(
                time_ns=int(changes.t_ns[at]),
                uncertainty_ns=round(_UNIFORM * periods_ns.get((int(changes.channel[at]), int(changes.id[at])), 0)),
                feed=feed.name if feed.name in by_feed else None,
                controllers=by_feed.get(feed.name, by_feed[None]),
                found_by=FoundBy.SIGNAL,
            )
            for at in (np.flatnonzero(on[1:] & ~on[:-1]) + 1).tolist()
        ]
    return found


_UNIFORM = 12.0**-0.5
"""Standard deviation of a moment that may lie anywhere within a period, in periods."""


def _moves(
    power_up: PowerUp, heard: Heard, by_name: Mapping[str, ControllerHealth], expected: Mapping[str, Expectation]
) -> Iterator[tuple[int | None, int]]:
    """Give the (channel, address) that controllers of a power-up claimed instead of their own."""
    for name in power_up.controllers:
        one = by_name.get(name)
        if one is None or one.identity.address is None:
            continue
        can_name = expected_name_of(heard, power_up, one, expected.get(name, Expectation(name=name)))
        address = moved_to(heard, power_up, one, can_name)
        if address is not None:
            yield one.channel, address


def _is_due(one: ControllerHealth, power_up: PowerUp) -> bool:
    """Tell whether a controller that nobody named should come back: it was there before, or it came now."""
    if one.first_ns is None or not any(stream.cyclic for stream in one.streams):
        return False
    before = power_up.off_ns is not None and one.first_ns <= power_up.off_ns
    return before or (power_up.zero_ns is not None and power_up.zero_ns <= one.first_ns < power_up.until_ns)


def _groups(machine: Machine, health: Health) -> list[Group]:
    """List who gets supply together: the whole machine, then its feeds from the main one down."""
    everybody = tuple(machine.controllers) or tuple(one.name for one in health.controllers)
    groups = [Group(feed=None, controllers=everybody)]
    feeds = [part.name for part in machine.parts.values() if part.kind is PartKind.FEED]
    for feed in sorted(feeds, key=lambda name: len(machine.feeds_above(name))):
        below = machine.controllers_below(feed)
        if below and set(below) != set(everybody):
            groups.append(Group(feed=feed, controllers=below))
    return groups


def _switched(actions: Iterable[Action], groups: Sequence[Group]) -> list[Switched]:
    by_feed = {group.feed: group.controllers for group in groups}
    return [
        Switched(
            time_ns=action.time_ns,
            uncertainty_ns=action.uncertainty_ns,
            feed=action.part if action.part in by_feed else None,
            controllers=by_feed.get(action.part, by_feed[None]),
            found_by=FoundBy.JOURNAL,
            off_and_on=action.kind is ActionKind.POWER_CYCLE,
        )
        for action in actions
        if action.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
    ]


def expectations(case: Case, actions: Sequence[Action]) -> dict[str, Expectation]:
    """Turn the map into what must come back, by the controllers' names."""
    handled = {
        name
        for action in actions
        if action.kind in (ActionKind.REPLACE, ActionKind.SWAP)
        for name in (action.part, action.into)
    }
    found = {}
    for name, controller in case.machine.controllers.items():
        spec = controller.spec
        found[name] = Expectation(
            name=name,
            channel=None if spec.channel is None else case.channels.find(spec.channel),
            identity=spec.identity,
            streams=tuple(stream for stream in spec.expects if stream.period_ns is not None),
            limit_ns=spec.back_within_ns,
            usual_ns=controller.back_usually_ns,
            may_be_exchanged=name in handled,
            starts_after=controller.starts_after,
        )
    return found
