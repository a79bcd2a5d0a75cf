"""The post-mortem of an intermittent dropout: who falls with whom, when, and what goes before it.

Joins what `groups`, `rate_shape`, `antecedent` and `covariate` find about the losses that no action explains, corrects
everything that was tried together, and says what to do next. With fewer than three such losses it says nothing and
costs nothing: the events and values to hold against them are asked for only then.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import Action
from busdoc.arrays import Int64Array
from busdoc.health.summary import Health
from busdoc.intermittent.advice import Advice, advise
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.dropouts import (
    LEAST_DROPOUTS,
    Dropouts,
    DropoutSet,
    dropout_sets,
    falls_of,
    power_ups_of,
    showings_of,
    unexplained_losses,
    watched_of,
)
from busdoc.intermittent.groups import Group, find_groups
from busdoc.intermittent.multiple_testing import attained, benjamini_hochberg, holm
from busdoc.intermittent.precursors.antecedent import Antecedent, find_antecedents
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.event_kind import EventKind, code_event
from busdoc.intermittent.precursors.precursor import FOUND_AT, Precursor
from busdoc.intermittent.rate_shape import Rate, measure_rate
from busdoc.isolation.suspects.losses import losses_of
from busdoc.isolation.verdict import Because
from busdoc.machine.machine import Machine
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS
from busdoc.words.sentence import capital

__all__ = ["Evidence", "Intermittent", "Tried", "look_into", "look_into_symptom"]

_PROMISING_AT = 0.01
"""What has such a p by itself, but not given all that was tried, is worth provoking."""
_SAME_MOMENT_NS = SECOND_NS
"""What comes so soon after a symptom was seen came with it: signals have periods, broadcasts a second (SAE J1939-73
5.7.1)."""
_NOTHING_LEFT = 0.05
"""An event whose share of the dropouts that another leaves has a p beyond this has nothing of its own to explain."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What dropouts are held against."""

    kinds: tuple[EventKind, ...] = ()
    covariates: tuple[Covariate, ...] = ()
    """Every measured value that was tried, for each set of dropouts."""
    left_out: tuple[str, ...] = ()
    """What could not be tried, and why, as sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """How much was tried, which every p-value pays for."""

    kinds: int
    """Kinds of events."""
    signals: int
    """Signals whose values were looked at, the bus itself counted as some."""
    tests: int
    """Questions in all, over every group of controllers."""
    left_out: tuple[str, ...] = ()
    """What could not be tried, and why."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Intermittent:
    """What many dropouts have in common."""

    dropouts: tuple[int, ...]
    """Indices of the losses that no action explains."""
    groups: tuple[Group, ...]
    rates: tuple[Rate, ...]
    """All dropouts first; then each group of at least three, where there are several groups."""
    findings: tuple[Precursor, ...]
    """What goes before the dropouts more often than chance, given all that was tried; what explains most first."""
    antecedents: tuple[Antecedent, ...]
    """Every kind of event that was tried, for each set of dropouts, corrected; by p."""
    covariates: tuple[Covariate, ...]
    """Every measured value that was tried, likewise."""
    tried: Tried
    advice: tuple[Advice, ...]
    precursors_told: bool = True
    """What goes before them is said: not once a part is named, which explains them."""
    symptom: str | None = None
    """The symptom whose showings these are, as `--symptom` names it; None: dropouts."""
    came_ns: tuple[int, ...] = ()
    """When each of its showings that no action explains was seen first."""
    along: tuple[Antecedent, ...] = ()
    """Events that come at the same moment as its showings, more often than chance; what comes first is not told."""


def _nothing(dropouts: Sequence[Dropouts]) -> Evidence:
    return Evidence()


def look_into(
    health: Health,
    because: Sequence[Because],
    machine: Machine,
    actions: Sequence[Action],
    *,
    gather: Callable[[Sequence[Dropouts]], Evidence] = _nothing,
    suspects: Sequence[tuple[str, float]] = (),
    epoch: bool = False,
    journal_kept: bool = True,
    unexposed: Sequence[tuple[int, int]] = (),
) -> Intermittent | None:
    """Look into the losses that no action explains; None where there are fewer than three.

    Parameters
    ----------
    health : of the whole record, its incidents as `because` counts them
    because : one for each incident
    machine : the map, possibly empty
    actions : the journal's, and those that the traffic shows
    gather : gives what the sets of dropouts are held against; asked only where there are enough of them
    suspects : (part, probability) of the isolation engine, highest first
    epoch : times are Unix times
    journal_kept : somebody wrote down what was done
    unexposed : (from, to) in ns: when the suspected part was off the machine, and none could have come
    """
    chosen = unexplained_losses(health.incidents, because, journal_kept=journal_kept)
    if len(chosen) < LEAST_DROPOUTS:
        return None
    heard = [(c.name, c.channel) for c in health.controllers if c.first_ns is not None]
    groups = find_groups(
        health.incidents,
        chosen,
        machine,
        heard,
        start_ns=health.start_ns,
        watched_s=watched_of(health, ()).total_ns / SECOND_NS,
        boxes=[box.controllers for box in health.boxes],
    )
    sets = dropout_sets(health.incidents, chosen, groups)
    rates = _rates(health, sets, actions, unexposed, epoch=epoch)
    dropouts = [Dropouts.of(one.controllers, one.incidents, watched_of(health, one.controllers)) for one in sets]
    found = _held_against(dropouts, gather(dropouts), rates, groups, machine, suspects)
    return replace(found, dropouts=chosen)


def look_into_symptom(
    symptom: Symptom,
    answers: Sequence[tuple[int, Because]],
    health: Health,
    machine: Machine,
    actions: Sequence[Action],
    *,
    gather: Callable[[Sequence[Dropouts]], Evidence] = _nothing,
    suspects: Sequence[tuple[str, float]] = (),
    epoch: bool = False,
) -> Intermittent | None:
    """Look into the showings of a symptom that no action explains; None where there are fewer than three.

    Parameters
    ----------
    symptom : that is no dropout
    answers : (first seen showing in ns, which action it answers to) of its showings
    health, machine, actions, gather, suspects, epoch : as of `look_into`
    """
    by_time = dict(answers)
    came = [
        span
        for span in symptom.spans
        if span.not_yet_ns is not None and not _is_explained(by_time.get(span.since_ns)) and span.not_yet_ns > 0
    ]
    if len(came) < LEAST_DROPOUTS:
        return None
    showings = showings_of(symptom, came, health)
    began_ns = np.array([span.since_ns for span in came], np.int64)
    ends_ns = sorted({span.gone_ns for span in symptom.spans if span.gone_ns is not None})
    rate = measure_rate(
        began_ns,
        [span.gone_ns for span in came],
        showings.watched,
        controllers=showings.controllers,
        called=showings.called,
        epoch=epoch,
        power_ups_ns=power_ups_of(health, actions),
        returns_ns=np.array(ends_ns, np.int64),
    )
    shapes = holm(np.array([test.p for test in rate.tests])).tolist()
    evidence = _without_its_own(gather([showings]), symptom)
    found = _held_against([showings], evidence, (rate.corrected(shapes),), (), machine, suspects)
    along = _along(showings_of(symptom, came, health, moment_ns=_SAME_MOMENT_NS), evidence.kinds)
    told = {one.name for one in found.findings}
    return replace(
        found,
        symptom=symptom.name,
        came_ns=tuple(began_ns.tolist()),
        along=tuple(one for one in along if one.name not in told),
    )


def _is_explained(because: Because | None) -> bool:
    return because is not None and (because.expected or because.action is not None)


def _without_its_own(evidence: Evidence, symptom: Symptom) -> Evidence:
    """Leave out what is the symptom itself: its codes as events, and its own signal."""
    own = {code_event(symptom.controller, code) for code in symptom.codes}
    kinds = [
        kind
        for kind in evidence.kinds
        if kind.name not in own and (symptom.signal is None or kind.signal != symptom.signal)
    ]
    values = [one for one in evidence.covariates if symptom.signal is None or one.signal != symptom.signal]
    return replace(evidence, kinds=tuple(kinds), covariates=tuple(values))


def _along(showings: Dropouts, kinds: Sequence[EventKind]) -> tuple[Antecedent, ...]:
    """Find what comes at the same moment."""
    tests = find_antecedents([showings], kinds, windows_s=(_SAME_MOMENT_NS / SECOND_NS,))
    corrected = holm(np.array([one.p for one in tests]), attained([one.chances for one in tests])).tolist()
    paired = zip(tests, corrected, strict=True)
    return tuple(replace(one, p_holm=p) for one, p in paired if p <= FOUND_AT and one.order_unclear and one.is_sure)


def _held_against(
    dropouts: Sequence[Dropouts],
    evidence: Evidence,
    rates: tuple[Rate, ...],
    groups: tuple[Group, ...],
    machine: Machine,
    suspects: Sequence[tuple[str, float]],
) -> Intermittent:
    """Hold what the record has against dropouts, or the showings of a symptom, and say what to do next."""
    antecedents, covariates = _corrected(find_antecedents(dropouts, evidence.kinds), evidence.covariates)
    # An event that may be an answer to the loss is neither found nor promising.
    tests = [*(one for one in antecedents if not one.order_unclear), *covariates]
    findings = _set_aside(_rank([one for one in tests if one.found]))
    promising = _rank([one for one in tests if not one.found and one.p <= _PROMISING_AT])
    standing = [one for one in findings if one.beside is None]
    tried = Tried(
        kinds=len({(one.name, one.controller) for one in antecedents}),
        signals=len({one.name for one in covariates}),
        tests=len(antecedents) + len(covariates),
        left_out=tuple(f"{capital(text).rstrip('.')}." for text in evidence.left_out),
    )
    return Intermittent(
        dropouts=(),
        groups=groups,
        rates=rates,
        findings=findings,
        antecedents=antecedents,
        covariates=covariates,
        tried=tried,
        advice=advise(groups, rates, standing, promising, machine, suspects, anything_tried=bool(tests)),
    )


def _rank(tests: Sequence[Precursor]) -> tuple[Precursor, ...]:
    """Put events and values in order: what explains most dropouts first; each once, for whom it explains most."""
    ordered = sorted(tests, key=lambda one: (-round(one.explained, 3), one.p, one.name))
    return tuple({one.name: one for one in reversed(ordered)}[name] for name in dict.fromkeys(o.name for o in ordered))


def _set_aside(ranked: Sequence[Precursor]) -> tuple[Precursor, ...]:
    """Mark the events that a stronger one leaves nothing to explain: a switch that goes off soon after it went on.

    Returns
    -------
    Those that stand on their own first, in their order, then those set aside
    """
    standing: list[Precursor] = []
    aside: list[Precursor] = []
    for one in ranked:
        leader = next((strong for strong in standing if _leaves_nothing(strong, one)), None)
        if leader is None:
            standing.append(one)
        else:
            aside.append(replace(one, beside=leader.name))
    return (*standing, *aside)


def _leaves_nothing(strong: Precursor, weak: Precursor) -> bool:
    """Tell whether among the dropouts without the stronger event the weaker one comes no more often than by chance."""
    if not (isinstance(strong, Antecedent) and isinstance(weak, Antecedent)):
        return False
    if strong.controllers != weak.controllers or not (strong.is_sure and weak.is_sure):
        return False
    rest = ~strong.preceded
    return float(at_least(int((weak.preceded & rest).sum()), int(rest.sum()), weak.by_chance)) > _NOTHING_LEFT


def _corrected(
    antecedents: Sequence[Antecedent], covariates: Sequence[Covariate]
) -> tuple[tuple[Antecedent, ...], tuple[Covariate, ...]]:
    """Correct everything that was tried together; events and values bear half of the risk each; smallest p first.

    Each half is corrected by itself: what events count, few of them can show by chance, and values do not pay for that.
    """
    p_events, p_values = (np.array([one.p for one in of], np.float64) for of in (antecedents, covariates))
    halves = 2.0 if len(p_events) and len(p_values) else 1.0
    holm_events = np.minimum(halves * holm(p_events, attained([one.chances for one in antecedents])), 1.0)
    holm_values = np.minimum(halves * holm(p_values), 1.0)
    q_events, q_values = np.split(benjamini_hochberg(np.concatenate((p_events, p_values))), [len(p_events)])
    events = map(Antecedent.corrected, antecedents, holm_events.tolist(), q_events.tolist())
    values = map(Covariate.corrected, covariates, holm_values.tolist(), q_values.tolist())
    return (
        tuple(sorted(events, key=lambda one: (one.p, one.name))),
        tuple(sorted(values, key=lambda one: (one.p, one.name))),
    )


def _rates(
    health: Health,
    sets: Sequence[DropoutSet],
    actions: Sequence[Action],
    unexposed: Sequence[tuple[int, int]],
    *,
    epoch: bool,
) -> tuple[Rate, ...]:
    """Measure the rate of each set, and correct all questions about their shape together."""
    power_ups_ns = power_ups_of(health, actions)
    rates = [_rate(health, one, power_ups_ns, unexposed, epoch=epoch) for one in sets]
    corrected = iter(holm(np.array([test.p for rate in rates for test in rate.tests])).tolist())
    return tuple(rate.corrected([next(corrected) for _ in rate.tests]) for rate in rates)


def _rate(
    health: Health, one: DropoutSet, power_ups_ns: Int64Array, unexposed: Sequence[tuple[int, int]], *, epoch: bool
) -> Rate:
    incidents = one.incidents
    returns_ns = sorted({loss.back_ns for i in incidents for loss in losses_of(i) if loss.back_ns is not None})
    # Restarts over and over are one incident, and each of them is a fall in the time watched.
    falls = sorted((fall for incident in incidents for fall in falls_of(incident)), key=lambda fall: fall[0])
    return measure_rate(
        np.array([last_seen_ns for last_seen_ns, _ in falls], np.int64),
        [back_ns for _, back_ns in falls],
        watched_of(health, one.controllers).without(unexposed),
        controllers=one.controllers,
        epoch=epoch,
        power_ups_ns=power_ups_ns,
        returns_ns=np.array(returns_ns, np.int64),
        n_apart=len(incidents),
    )
