"""What to do next about an intermittent dropout, in words with numbers.

How long to record and what to do meanwhile, where to measure, what to wiggle first, and how long a repair must stay
quiet. The limits for measuring are common practice; the maker's manual comes first wherever it differs.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import islice

import numpy as np

from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.groups import Group
from busdoc.intermittent.groups_evidence import CauseKind
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.precursor import Precursor
from busdoc.intermittent.rate_shape import Rate, Shape
from busdoc.machine.machine import Machine, PartKind
from busdoc.words.counting import counted, listed, plural
from busdoc.words.sentence import capital

__all__ = ["Advice", "AdviceKind", "advise", "trials_to_show"]

_CYCLE_S = 600.0
"""An event that is provoked on purpose comes this often: the machine must be steady again in between."""
_LEVEL = 0.05
_POWER = 0.8
_MOST_TRIALS = 2000
_LEAST_TRIALS = 6
"""Fewer leave too much to the moment, whatever the numbers say."""
_WORTH_RECORDING_H = 100.0
"""Beyond so many hours another way must be found than to wait."""
_SUPPLY_KINDS = (CauseKind.FEED, CauseKind.SUPPLY)
_MOVABLE = (PartKind.HARNESS, PartKind.CONNECTOR, PartKind.LEAD, PartKind.SENSOR, PartKind.ACTUATOR)
_WORTH_MOVING = 0.02
"""A suspect with a smaller probability is not named."""
_WIRING_KINDS = (CauseKind.SEGMENT, CauseKind.WIRING, CauseKind.BUS)


class AdviceKind(StrEnum):
    """What sort of thing to do."""

    RECORD = "record"
    MEASURE = "measure"
    WIGGLE = "wiggle"
    WATCH = "watch"
    """After a repair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to do next."""

    kind: AdviceKind
    words: str
    about: tuple[str, ...] = ()
    """The controllers, parts or signals that it is about."""
    hours: float | None = None
    """How long to record or to watch; None: not a matter of time."""


def advise(
    groups: Sequence[Group],
    rates: Sequence[Rate],
    findings: Sequence[Precursor],
    promising: Sequence[Precursor],
    machine: Machine,
    suspects: Sequence[tuple[str, float]] = (),
    *,
    anything_tried: bool = True,
) -> tuple[Advice, ...]:
    """Say what to do next, the most telling first.

    Parameters
    ----------
    groups, rates : of the record; the first of either is the largest
    findings : what goes before the dropouts more often than chance, the strongest first
    promising : what may do so and was not proved, the strongest first
    machine : the map, possibly empty
    suspects : (part, probability) of the isolation engine, highest first
    anything_tried : there were events or values to hold the dropouts against
    """
    fallen = {name for group in groups for name in (*group.controllers, *group.others)}
    advice = [*_recordings(rates[0], findings, promising, fallen, anything_tried)]
    for group in groups[:2]:
        advice += _measurements(group, findings)
        advice += _wiggles(group, machine, suspects)
    advice += _after_repair(rates[0])
    return tuple({one.words: one for one in advice}.values())


def trials_to_show(share: float, by_chance: float) -> int | None:
    """Give how often an event must be provoked until what follows it is proved at 5 %, with a probability of 80 %.

    Parameters
    ----------
    share : of the events that a dropout follows, as far as the record shows
    by_chance : the share by chance

    Returns
    -------
    None: not within two thousand
    """
    for n in np.unique(np.geomspace(1, _MOST_TRIALS, 120).astype(np.int64)).tolist():
        hits = np.arange(1, n + 1)
        proving = np.flatnonzero(at_least(hits, n, by_chance) <= _LEVEL)
        if len(proving) and at_least(int(hits[proving[0]]), n, share) >= _POWER:
            return int(n)
    return None


def _recordings(
    rate: Rate,
    findings: Sequence[Precursor],
    promising: Sequence[Precursor],
    fallen: Collection[str],
    anything_tried: bool,
) -> Iterator[Advice]:
    """Say how long to record, and what to do meanwhile.

    What a lost controller itself says before it goes is a sign of its trouble, and nothing to provoke; a supply cannot
    be held high by hand.
    """
    event = next(_to_provoke(findings, fallen), None)
    value = next((one for one in findings if isinstance(one, Covariate) and not one.is_voltage), None)
    if event is not None and value is not None:
        yield _tell_apart(event, value)
    elif event is not None:
        yield from _provoke(event, "to see that it stays so")
    elif not findings:
        for candidate in islice(_to_provoke(promising, fallen), 1):
            yield from _provoke(candidate, "to tell it from chance")
    if rate.needed.until_ten_s is not None and not findings:
        hours = rate.needed.until_ten_s / 3600.0
        apart = rate.n_apart / max(rate.n, 1)
        per_hour = [max(apart * one, 1e-9) for one in (rate.per_hour_high, rate.per_hour_low)]
        low, high = ((10 - rate.n_apart) / one for one in per_hour)
        yield Advice(
            kind=AdviceKind.RECORD,
            words=f"Record about {_hours(hours)} more{_between(low, high)}: with "
            f"{_apart(rate)} little can be told from chance, with ten a cause that makes most of "
            "them stands out.",
            hours=hours,
        )
    elif not findings:
        yield Advice(
            kind=AdviceKind.RECORD,
            words=f"{_apart(rate)} would have shown an event or a signal of the database that makes "
            "most of them. Log what the bus does not carry (vibration, wet, temperature at the plug, steering or boom "
            "position) in a journal while the recorder runs, or give a database with more of the machine's signals."
            if anything_tried
            else "Give a message database (--db) or keep a journal: there is nothing yet to hold "
            f"the {plural(2, rate.called)} against.",
        )


def _apart(rate: Rate) -> str:
    """Count what something can have gone before: restarts over and over once."""
    if rate.n_apart == rate.n:
        return counted(rate.n, rate.called)
    return f"{counted(rate.n_apart, rate.called)}, restarts over and over counted once,"


def _to_provoke(found: Sequence[Precursor], fallen: Collection[str]) -> Iterator[Antecedent]:
    for one in found:
        if isinstance(one, Antecedent) and one.can_be_provoked and one.controller not in fallen:
            yield one


def _tell_apart(event: Antecedent, value: Covariate) -> Advice:
    """Plan the recording that tells an event from a condition that both go before the dropouts."""
    hours = (_times(event) or _MOST_TRIALS) * _CYCLE_S / 3600.0
    return Advice(
        kind=AdviceKind.RECORD,
        words=f"Record {_hours(hours)} with {event.subject} every 10 minutes while {value.subject} is on its harmless "
        f"side, and as long without it while {value.subject} is not, to tell the two apart.",
        about=(event.name, value.name),
        hours=2.0 * hours,
    )


def _provoke(event: Antecedent, why: str) -> Iterator[Advice]:
    times = _times(event)
    if times is not None and times * _CYCLE_S / 3600.0 <= _WORTH_RECORDING_H:
        hours = times * _CYCLE_S / 3600.0
        yield Advice(
            kind=AdviceKind.RECORD,
            words=f"Record {_hours(hours)} more with {event.subject} every 10 minutes ({times} times), {why}.",
            about=(event.name,),
            hours=hours,
        )


def _times(event: Antecedent) -> int | None:
    """Give how often to provoke an event."""
    trials = trials_to_show(event.trigger_rate, min(event.trigger_by_chance, 1.0))
    return None if trials is None else max(trials, _LEAST_TRIALS)


def _measurements(group: Group, findings: Sequence[Precursor]) -> Iterator[Advice]:
    """Say where the meter goes; limits are common practice."""
    cause, who = group.likeliest, listed(group.members)
    is_low = any(one.is_voltage and set(one.controllers) <= set(group.controllers) for one in findings)
    if cause.kind in _SUPPLY_KINDS or (is_low and cause.kind is CauseKind.CONTROLLER):
        feed = f"{cause.part} and at " if cause.part and cause.kind is CauseKind.FEED else ""
        words = (
            f"clamp the meter (minimum hold) on {feed}the supply pins of {who}, under load and with the engine "
            "cranking: the supply wire may drop 0.2 V, a switch 0.3 V, the ground side 0.1 V (common practice); more "
            "is a bad joint."
        )
        about = (cause.part, *group.controllers)
    elif cause.kind in _WIRING_KINDS:
        lead = "check the recorder's own lead and plug first. Then " if cause.kind is CauseKind.BUS else ""
        is_segment = cause.kind is CauseKind.SEGMENT
        place = f"the far end of {cause.part}" if is_segment else f"the plug of {group.controllers[-1]}"
        words = (
            f"{lead}with power off, measure CAN high to CAN low at {place} while somebody moves the wiring: it must "
            "stay near 60 ohm (common practice)."
        )
        about = (cause.part,)
    elif cause.kind is CauseKind.CONTROLLER:
        words = (
            f"clamp the meter (minimum hold) on the supply and ground pins of {who} itself, under load: it falls "
            "alone, so its own plug and wires come before anything that it shares."
        )
        about = group.controllers
    else:
        return
    yield Advice(kind=AdviceKind.MEASURE, words=capital(words), about=tuple(name for name in about if name))


def _wiggles(group: Group, machine: Machine, suspects: Sequence[tuple[str, float]]) -> Iterator[Advice]:
    """Name what to move first, the likeliest part that hands can move."""
    cause, who = group.likeliest, listed(group.members)
    about = group.controllers
    match cause.kind:
        case CauseKind.CONTROLLER:
            near = {part for name in group.controllers if machine.parts for part in machine.below(name)}
            likely = [part for part, share in suspects if share >= _WORTH_MOVING and part in near & set(machine.parts)]
            on_it = [part for part in likely if machine.parts[part].kind in _MOVABLE][:3]
            after = f", then {listed(on_it)}, one at a time," if on_it else ""
            words, about = f"Wiggle the plug of {who} first{after} while watching the bus.", (*about, *on_it)
        case CauseKind.FEED | CauseKind.SEGMENT if cause.part is not None:
            what = "the holder, terminals and ground" if cause.kind is CauseKind.FEED else "the plugs and splices"
            words = f"Wiggle {what} of {cause.part} first: one place that all of {who} share."
            about = (cause.part, *about)
        case CauseKind.SUPPLY | CauseKind.WIRING:
            what = "fuse, ground or splice" if cause.kind is CauseKind.SUPPLY else "plug or splice of the bus"
            words = f"Find in the wiring diagram the {what} that {who} share and nobody else, and wiggle it first."
        case _:
            return
    yield Advice(kind=AdviceKind.WIGGLE, words=words, about=about)


def _after_repair(rate: Rate) -> Iterator[Advice]:
    hours = rate.needed.quiet_to_prove_s / 3600.0
    is_worse = rate.worse > 0.0 and any(test.shape is Shape.TREND and test.found for test in rate.tests)
    haste = " They come more and more often: do not wait for the next." if is_worse else ""
    yield Advice(
        kind=AdviceKind.WATCH,
        words=f"After a repair, {_hours(hours)} without a {rate.called} under the same work prove it with 95 %.{haste}",
        hours=hours,
    )


def _between(low: float, high: float) -> str:
    """Write a range of hours behind their estimate; nothing, where both ends are written alike."""
    ends = (_hours(low), _hours(high))
    return "" if ends[0] == ends[1] else f" ({ends[0]} to {ends[1]})"


def _hours(hours: float) -> str:
    """Write a length of time as somebody would plan it."""
    if hours < 1.0:
        return f"{max(1, math.ceil(hours * 12.0)) * 5} minutes"
    if hours < 10.0:
        return f"{math.ceil(hours * 2.0) / 2.0:g} hours".replace("1 hours", "1 hour")
    return f"{math.ceil(hours)} hours" if hours < 100.0 else f"{math.ceil(hours / 24.0)} days"
