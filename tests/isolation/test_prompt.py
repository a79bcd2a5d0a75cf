"""What answers to an action that exposed or shook the part, worked out press by press and part by part."""

from collections.abc import Sequence
from dataclasses import replace
from math import exp, log
from unittest.mock import Mock

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.health.incident import Incident
from busdoc.isolation.suspects import attribution
from busdoc.isolation.suspects.attribution import (
    _exposed_promptly,
    attribute,
    attribute_incidents,
    awaits_its_press,
    taken_away,
)
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.isolation.suspects.findings import Findings, work_through
from busdoc.isolation.suspects.losses import gather_losses
from busdoc.isolation.suspects.press_timing import lateness_s, lateness_weights
from busdoc.isolation.suspects.rates import RATES_HZ
from tests.truth.hand_records import NS, HandRecord, action, dropout, health, sweeper, unplug

ALL = ("engine", "display", "broom", "hopper", "fan", "lift")


def by_hand(findings: Findings, k: int, n: int) -> float:
    """To be read beside docs/probabilities.md, "Which action"; before the sum over actions is held to one."""
    reach, losses, rows = findings.reach, findings.losses, findings.unexplained
    t, hit = float(losses.t_s[rows[k]]), np.flatnonzero(losses.hit[rows[k]])
    exposes = reach.exposes(losses.hit[rows[k]])
    since = min(float(losses.since_s[rows[k], c]) for c in hit)
    weights: list[float] = lateness_weights().tolist()
    readings = [
        [(action.time_ns - findings.start_ns) / NS - findings.offset_s - late for late in lates]
        for action, lates in zip(findings.actions, lateness_s(findings.actions), strict=True)
    ]

    def likely(m: int, *, after_s: float = -1e9) -> float:
        """That it was done before the incident, and later than so."""
        return sum(w for w, at in zip(weights, readings[m], strict=True) if after_s < at < t)

    def changes(m: int, p: int) -> bool:
        return bool(exposes[m, p]) or any(reach.reaches[m, p, c] and not reach.reaches[m + 1, p, c] for c in hit)

    def last_exposed(p: int) -> list[float]:
        """For every action, that it was the last to expose the part; given that one did or it was in all the while."""
        share, rest = [0.0] * len(readings), 1.0
        for m in reversed(range(len(readings))):
            if exposes[m, p]:
                share[m] = likely(m) * rest
            if changes(m, p):
                rest *= 1.0 - likely(m)
        total = sum(share) + rest
        return [one / total if total > 1e-12 else 0.0 for one in share]

    waited = sum(w * max(t - max(at, since), 0.0) for w, at in zip(weights, readings[n], strict=True))
    done = sum(w * at for w, at in zip(weights, readings[n], strict=True))
    fresh = 1.0
    for j in range(k):  # what it exposed has shown since: then it does not answer to that action any more
        if losses.t_s[rows[j]] > done:
            exposed = [p for p in range(len(reach.parts)) if exposes[n, p]]
            fresh *= 1.0 - min(sum(float(findings.posterior.shows[j, p]) for p in exposed), 1.0)
    answers = 0.0
    for p in range(len(reach.parts)):
        exposed_last = last_exposed(p)[n]
        for r, rate in enumerate(RATES_HZ.tolist() if exposed_last else []):
            prompt = 1.0 / (1.0 + exp(-log(rate / 0.2) / 0.35))
            there = 0.5 * exp(-rate * waited)
            begun = (1.0 - exp(-rate * waited)) / (rate * max(t, 1.0))
            was_there = there / (there + begun) if k == 0 and waited > 0.0 else 1.0
            answers += fresh * exposed_last * float(findings.posterior.shows_rate[k, p, r]) * prompt * was_there
    if findings.actions[n].kind is ActionKind.WIGGLE:
        shaken = sum(float(findings.posterior.shows[k, p]) for p in np.flatnonzero(reach.touched[n]))
        answers += likely(n, after_s=t - 1.5) * shaken
    return answers


@pytest.mark.parametrize("seed", range(4))
def test_it_is_what_every_reading_of_every_press_gives(seed: int) -> None:
    """Random moves of two branches a few seconds apart, and dropouts among them; the journal's clock is ahead."""
    rng = np.random.default_rng(seed)
    record, t = HandRecord(sweeper(), start_ns=1000 * NS), 1000.0
    kinds = (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.WIGGLE, ActionKind.POWER_CYCLE)
    for n in range(1, 9):
        t += rng.uniform(0.5, 6.0)
        kind = kinds[rng.integers(4)]
        part = None if kind is ActionKind.POWER_CYCLE else ("harness-A", "tilt-angle")[rng.integers(2)]
        origin = Origin.JOURNAL if kind is not ActionKind.POWER_CYCLE else Origin.BUS
        pressed = replace(action(n, t + 0.7, kind, part), uncertainty_ns=round(rng.uniform(0.5, 2.0) * NS))
        record.act(replace(pressed, origin=origin))
    for fell in (1003.0, 1009.0, 1016.0, 1024.0):
        names = (("hopper",), ("hopper", "fan"))[rng.integers(2)]
        record.saw(dropout(fell, fell + rng.uniform(0.5, 4.0), *names))
    findings = replace(record.findings(1100 * NS), unexplained=(0, 1, 3), offset_s=0.7)
    shows_rate = rng.random((3, len(findings.reach.parts), len(RATES_HZ))) ** 8
    shows_rate /= shows_rate.sum(axis=(1, 2), keepdims=True) * rng.uniform(0.3, 1.0)
    shows_rate *= 1.0 + 30.0 * (seed % 2)  # more than there is to be shared out among the actions
    posterior = replace(findings.posterior, shows_rate=shows_rate, shows=shows_rate.sum(axis=2))
    findings = replace(findings, posterior=posterior)
    expected = np.array([[by_hand(findings, k, n) for n in range(8)] for k in range(3)])
    assert bool(expected.sum(axis=1).max() > 1.0) is bool(seed % 2)
    expected /= np.maximum(expected.sum(axis=1, keepdims=True), 1.0)
    assert _exposed_promptly(findings) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("names", "back_s", "until_s", "actions", "awaits"),
    [
        (("hopper", "fan"), None, 102.0, [unplug(1, 40.0, "harness-A")], True),
        (("hopper",), None, 102.0, [unplug(1, 40.0, "harness-A")], False),  # no power is switched off for one alone
        (("hopper", "fan"), None, 102.4, [unplug(1, 40.0, "harness-A")], True),
        (("hopper", "fan"), None, 102.6, [unplug(1, 40.0, "harness-A")], False),
        (("hopper", "fan"), 101.0, 102.0, [unplug(1, 40.0, "harness-A")], False),
        (("hopper", "fan"), None, 102.0, [], False),
        (("hopper", "fan"), None, 102.0, [replace(unplug(1, 40.0, "harness-A"), origin=Origin.BUS)], False),
    ],
)
def test_a_press_is_waited_for_where_several_fell_at_the_end_and_somebody_keeps_a_journal(
    names: tuple[str, ...], back_s: float | None, until_s: float, actions: Sequence[Action], awaits: bool
) -> None:
    """Within two and a half seconds, of those that are still away."""
    incidents = [dropout(20.0, 24.0, "hopper"), dropout(100.0, back_s, *names)]
    losses = gather_losses(incidents, tuple(sweeper().controllers), 0)
    assert awaits_its_press(losses, 1, actions, until_s) is awaits


def test_one_of_several_that_came_back_had_its_power() -> None:
    fell = dropout(100.0, None, "hopper", "fan")
    one_back = tuple(replace(loss, back_ns=101 * NS) if loss.controller == "fan" else loss for loss in fell.losses)
    losses = gather_losses([replace(fell, losses=one_back)], tuple(sweeper().controllers), 0)
    assert not awaits_its_press(losses, 0, [unplug(1, 40.0, "harness-A")], 102.0)


CYCLES = [action(n, 50.5, ActionKind.POWER_CYCLE) for n in (1, 2)]


def weighed(incidents: Sequence[Incident], actions: Sequence[Action], until_s: float) -> list[list[int]]:
    """Rows of the losses that the parts of the map have to answer for, as attribution asks."""
    with pytest.MonkeyPatch.context() as patch:
        asked = Mock(wraps=work_through)
        patch.setattr(attribution, "work_through", asked)
        attribute(health(until_s, *incidents), actions, sweeper())
    return [list(call.args[3]) for call in asked.call_args_list]


def test_a_part_has_to_answer_for_what_no_action_took_away_and_no_press_is_to_come_for() -> None:
    """Of two power cycles at once either may have been it: together they were."""
    all_fell = dropout(49.6, 55.0, *ALL, everyone=True)
    at_last = dropout(100.0, None, "hopper", "fan")
    incidents = [dropout(20.0, 24.0, "hopper"), all_fell, dropout(80.0, 84.0, "hopper"), at_last]
    assert weighed(incidents, CYCLES, 101.0) == [[0, 2]]
    assert weighed(incidents, CYCLES, 110.0) == [[0, 2, 3]]
    taken, _ = taken_away(gather_losses(incidents, ALL, 0), find_reach(sweeper(), CYCLES), CYCLES, 0, 110.0)
    assert 0.4 < taken[1].max() < 0.5 < 0.95 < taken[1].sum()


def test_what_an_action_took_away_is_not_shared_out_again() -> None:
    """Two late cycles may have taken the hopper's supply; what is left of it may answer to what they exposed."""
    pressed = [action(n, t, ActionKind.POWER_CYCLE, "fuse-3") for n, t in ((1, 56.0), (2, 56.4))]
    fell = dropout(48.0, 55.0, "hopper", "fan")
    losses = gather_losses([fell], ALL, 0)
    taken, _ = taken_away(losses, find_reach(sweeper(), pressed), pressed, 0, 100.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(attribution, "_exposed_promptly", Mock(return_value=np.array([[0.3, 0.2]])))
        (because,) = attribute(health(100.0, fell), pressed, sweeper())
    both = taken[0].sum()
    assert 0.05 < taken[0].max() < both < 0.5
    expected = taken[0] + np.array([0.3, 0.2]) * (1.0 - both)
    assert dict(because.weights) == pytest.approx({1: expected[0], 2: expected[1]})
    assert because.spontaneous == pytest.approx(1.0 - expected.sum())


@pytest.mark.parametrize(("share", "action_n"), [(0.4, None), (0.6, 1)])
def test_an_action_answers_that_is_likelier_than_none_and_what_is_hardly_one_is_not_listed(
    share: float, action_n: int | None
) -> None:
    """One in a thousand is hardly one."""
    marks = [action(n, 40.0 + n, ActionKind.MARK) for n in (1, 2, 3)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(attribution, "_exposed_promptly", Mock(return_value=np.array([[share, 0.0005, 0.0015]])))
        (because,) = attribute(health(100.0, dropout(50.0, 55.0, "hopper")), marks, sweeper())
    assert because.action == action_n
    assert because.probability == (0.0 if action_n is None else share)
    assert because.weights == ((1, share), (3, 0.0015))
    assert not because.expected


def test_a_capture_of_less_than_a_second_is_taken_for_one_of_a_second() -> None:
    fell = dropout(0.2, None, "hopper")
    pressed = [action(1, 1.2, ActionKind.POWER_CYCLE)]

    def alone(span_s: float) -> float:
        return attribute_incidents([fell], pressed, sweeper(), start_ns=0, span_s=span_s)[0].spontaneous

    assert attribute(health(0.5, fell), pressed, sweeper())[0].spontaneous == alone(1.0) != alone(2.0)
