"""The evidence of a record against the same worked out by hand: all parts, incidents, rates, readings of a press."""

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import exponnorm, norm

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.evidence import Evidence, weigh_evidence
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.isolation.suspects.losses import gather_losses
from busdoc.isolation.suspects.press_timing import lateness_weights
from busdoc.isolation.suspects.rates import BACKGROUND_HZ, RATES_HZ
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind
from tests.isolation.evidence_by_hand import Record, background_density, weigh_part
from tests.truth.hand_records import NS, action, dropout, sweeper, unplug

CARRIER = Machine(
    name="Straddle carrier",
    parts=MappingProxyType(
        {
            part.name: part
            for part in (
                Part(name="fuse", kind=PartKind.FEED),
                Part(name="trunk", kind=PartKind.SEGMENT),
                Part(name="harness", kind=PartKind.HARNESS, owner="spreader"),
                Part(name="sensor", kind=PartKind.SENSOR, owner="harness"),
            )
        }
    ),
    controllers=MappingProxyType(
        {
            "spreader": Controller(spec=ControllerSpec(name="spreader"), feed="fuse", segment="trunk"),
            "hoist": Controller(spec=ControllerSpec(name="hoist"), feed="fuse", segment="trunk"),
            "winch": Controller(spec=ControllerSpec(name="winch")),
        }
    ),
)
MOVES = (ActionKind.PLUG, ActionKind.UNPLUG)
FELL = (("spreader",), ("hoist",), ("spreader", "hoist"), ("winch",), ("spreader", "hoist", "winch"))
START_S = 1000.0
"""When the records begin that are made up."""


@st.composite
def records(draw: st.DrawFn) -> tuple[list[Incident], list[Action], float]:
    """Up to six incidents at least eight seconds apart and eight presses, of which one at most is near each of them."""
    t, sigma_s, actions = START_S, 0.0, []
    for n in range(1, draw(st.integers(0, 8)) + 1):
        before_s, sigma_s = sigma_s, draw(st.sampled_from((1.0, 0.25, 2.0)))
        t += 5.0 * (before_s + sigma_s) + draw(st.floats(1.0, 50.0))
        part, kind = draw(st.sampled_from(("harness", "sensor", "trunk"))), draw(st.sampled_from(MOVES))
        actions.append(replace(action(n, t, kind, part), uncertainty_ns=round(sigma_s * NS)))
    incidents, fell = [], START_S + draw(st.floats(1.0, 40.0))
    for _ in range(draw(st.integers(0, 6))):
        close = [a.time_ns / 1e9 for a in actions if a.time_ns / 1e9 > fell + 3.0]
        around_a_press = draw(st.booleans())
        if close and around_a_press:
            fell = max(fell, close[0] + draw(st.floats(-2.5, 10.5)))
        lasts = draw(st.floats(0.5, 6.0))
        names = draw(st.sampled_from(FELL))
        incidents.append(dropout(fell, fell + lasts, *names, p_restarted=draw(st.sampled_from((None, 0.9, 0.03)))))
        fell += lasts + draw(st.floats(8.0, 100.0))
    return incidents, actions, max(t, fell) - START_S + draw(st.floats(1.0, 300.0))


def weigh(
    incidents: Sequence[Incident], actions: Sequence[Action], span_s: float, start_s: float = 0.0
) -> tuple[Evidence, Record]:
    """Give what the engine makes of a record, and the record as it is worked out by hand."""
    reach, start_ns = find_reach(CARRIER, actions), round(start_s * NS)
    losses = gather_losses(incidents, reach.controllers, start_ns)
    evidence = weigh_evidence(CARRIER, losses, range(len(losses.t_s)), reach, actions, start_ns, span_s)
    record = Record(
        reach=reach,
        losses=losses,
        written=[(a.time_ns - start_ns) / NS for a in actions],
        sigma=[a.uncertainty_ns / NS for a in actions],
        kinds=[CARRIER.parts[p].kind if p in CARRIER.parts else None for p in reach.parts],
        span=span_s,
        presses=[(a.part or "", a.kind.value) for a in actions],
    )
    return evidence, record


def moved(*moves: tuple[float, str, ActionKind]) -> list[Action]:
    return [action(n, START_S + at_s, kind, part) for n, (at_s, part, kind) in enumerate(moves, start=1)]


def fell(*falls: tuple[float, float, str]) -> list[Incident]:
    """(when, for how long, who)"""
    return [dropout(START_S + at_s, START_S + at_s + lasts_s, *names.split()) for at_s, lasts_s, names in falls]


PLUG, UNPLUG = ActionKind.PLUG, ActionKind.UNPLUG


@settings(max_examples=30)
@given(record=records())
@example(  # it may have shown as it was taken out; then again and again while it should be out
    record=(
        fell(
            (20.0, 2.0, "spreader"),
            (41.0, 2.0, "spreader hoist"),
            (60.0, 2.0, "spreader"),
            (80.0, 2.0, "spreader"),
            (170.0, 2.0, "spreader"),
        ),
        moved((40.0, "harness", UNPLUG), (140.0, "harness", PLUG)),
        200.0,
    )
)
@example(  # out while others fall, then in again, and it does not show any more
    record=(
        fell((20.0, 2.0, "winch"), (60.0, 0.2, "spreader"), (90.0, 9.0, "spreader hoist winch"), (150.0, 2.0, "hoist")),
        moved((40.0, "sensor", UNPLUG), (75.0, "harness", UNPLUG), (120.0, "sensor", PLUG), (140.0, "harness", PLUG)),
        900.0,
    )
)
@example(  # one of the two that it carries may have fallen with it as it came out, and then the other did
    record=(
        fell((20.0, 2.0, "spreader"), (41.0, 2.0, "spreader"), (60.0, 2.0, "hoist")),
        moved((40.0, "trunk", UNPLUG), (140.0, "trunk", PLUG)),
        200.0,
    )
)
@example(  # the missing press was written down as another part's
    record=(
        fell((10.0, 2.0, "spreader"), (65.0, 2.0, "spreader"), (95.0, 2.0, "spreader"), (125.0, 2.0, "spreader")),
        moved((40.0, "harness", UNPLUG), (80.0, "sensor", PLUG), (110.0, "harness", UNPLUG), (140.0, "sensor", UNPLUG)),
        200.0,
    )
)
def test_it_is_what_every_press_read_in_every_way_gives(record: tuple[list[Incident], list[Action], float]) -> None:
    evidence, by_hand = weigh(*record, START_S)
    n_incidents = len(by_hand.losses.t_s)
    for p, part in enumerate(by_hand.reach.parts):
        for r in range(2, len(RATES_HZ), 5):
            weighed = weigh_part(by_hand, p, float(RATES_HZ[r]))
            assert evidence.survival[p, r] == pytest.approx(weighed.survival, rel=1e-9, abs=1e-300), part
            for k in range(n_incidents if weighed.survival > 1e-250 else 0):  # or it is out of the question
                # how an incident ended is known up to a factor: held against the background
                engine = evidence.hazard[p, k, r] / evidence.background[k]
                hand = weighed.hazard[k] / (background_density(by_hand, k) * BACKGROUND_HZ)
                assert engine == pytest.approx(hand, rel=1e-9, abs=1e-12), (part, k, r)
    up_s = sum(by_hand.span - sum(b - a for a, b in absences) for absences in by_hand.losses.away)
    assert evidence.calm == pytest.approx(np.exp(-BACKGROUND_HZ * up_s), rel=1e-9)


def test_a_press_is_late_by_a_lag_that_a_hand_blurs_and_one_in_five_at_any_time() -> None:
    """The exponentially modified normal distribution of scipy (Grushka, Analytical Chemistry 44 (1972) 1733)."""
    nodes = np.arange(-30, 51) / 10.0
    lag = exponnorm.pdf(nodes, 0.55 / 0.15, scale=0.15)
    sloppy = norm.pdf(nodes, 1.0, 2.2)
    expected = 0.8 * lag / lag.sum() + 0.2 * sloppy / sloppy.sum()
    assert lateness_weights() == pytest.approx(expected, abs=5e-3)
    sloppy_only = (nodes < -0.5) | (nodes > 4.0)
    assert lateness_weights()[sloppy_only] == pytest.approx(expected[sloppy_only], abs=2e-5)
    assert lateness_weights().sum() == pytest.approx(1.0)


def test_the_same_press_twice_at_once_is_a_doubled_one_and_no_contradiction() -> None:
    """Out by the first press, and at fault if that was wrong: a second one within three seconds does not make it so."""

    def blamed(*pressed_s: float) -> float:
        pressed = [action(n, t, ActionKind.UNPLUG, "harness") for n, t in enumerate(pressed_s, start=1)]
        evidence, record = weigh([dropout(20.0, 24.0, "spreader"), dropout(51.9, 57.0, "spreader")], pressed, 200.0)
        return float(evidence.hazard[record.reach.parts.index("harness"), 1, 10])

    assert blamed(50.0, 52.9) == pytest.approx(blamed(50.0), rel=0.5)
    assert blamed(50.0, 53.0) > 5.0 * blamed(50.0)


@pytest.mark.parametrize(("uncertain_s", "since_s"), [(1, 60.5), (4, 62.0)])
def test_what_was_written_last_is_trusted_the_less_the_longer_it_should_have_shown(
    uncertain_s: int, since_s: float
) -> None:
    """Bayes by hand: plugged in at 50 s, likely half its uncertainty before, quiet since; wrong in one of a hundred."""
    pressed = replace(action(1, 50.0, ActionKind.PLUG, "harness"), uncertainty_ns=uncertain_s * NS)
    evidence, record = weigh([dropout(20.0, 24.0, "spreader")], [pressed], 110.0)
    right = 0.99 * np.exp(-np.minimum(RATES_HZ, np.log(20.0) / 12.0) * since_s)  # twelve seconds decide, and not less
    trust = evidence.trust[record.reach.parts.index("harness")]
    assert trust == pytest.approx(right / (right + 0.01), abs=1e-12)
    assert evidence.trust[record.reach.parts.index("hoist")][0] == pytest.approx(1.0)  # never moved


def test_of_a_part_gone_bad_late_each_dropout_weighs_as_it_does_from_the_start() -> None:
    """One that is never moved has its plain hazard at each; begun in the gap before one, half of it is spread there."""
    incidents = [dropout(t, t + 4.0, "spreader") for t in (20.0, 60.0, 200.0)]
    evidence, record = weigh(incidents, [], 230.0)
    p = record.reach.parts.index("sensor")
    slow = RATES_HZ < 0.1
    plain = evidence.hazard[p][:, slow]
    assert evidence.late.hazard[p][:, slow] == pytest.approx(plain)
    gap_s = 140.0
    begun = -np.expm1(-RATES_HZ[slow] * gap_s) / gap_s / RATES_HZ[slow]
    assert evidence.late.first[p, 2][slow] == pytest.approx(plain[2] * (0.5 + 0.5 * begun))
    assert evidence.late.survival[p, 2] == pytest.approx(np.exp(-RATES_HZ * 26.0))
    assert evidence.late.prior == pytest.approx([0.0, 0.03 * 40.0 / 230.0, 0.03 * 140.0 / 230.0])


def test_a_plug_that_no_map_knows_is_quiet_only_on_a_controller_in_trouble() -> None:
    """It hangs on one: that the hoist ran on beside the spreader, which is away, tells nothing of it."""
    incidents = [dropout(20.0, 24.0, "spreader"), dropout(50.0, 90.0, "spreader", "hoist")]
    incidents += [dropout(95.0, None, "spreader")]
    evidence, record = weigh(incidents, [unplug(1, 300.0, "blue plug")], 200.0)
    assert evidence.quiet_s[record.reach.parts.index("blue plug")] == pytest.approx(26.0)
    assert evidence.quiet_s[record.reach.parts.index("fuse")] == pytest.approx(105.0)


def test_quiet_counts_from_the_first_trouble_in_the_longest_trial_that_ended_or_all_that_did_not() -> None:
    """The spreader was up from 24 to 80 s, and from 84 s to the end; its harness with it."""
    incidents = [dropout(20.0, 24.0, "spreader"), dropout(80.0, 84.0, "spreader")]
    evidence, record = weigh(incidents, [], 100.0)
    assert evidence.quiet_s[record.reach.parts.index("harness")] == pytest.approx(56.0)
    evidence, record = weigh(incidents, [], 200.0)
    assert evidence.quiet_s[record.reach.parts.index("harness")] == pytest.approx(116.0)
    assert evidence.exposed[record.reach.parts.index("harness")].all()
    assert not evidence.exposed[record.reach.parts.index("hoist")].any()


def harness_with(kind: ActionKind, *, moved: bool, at_s: float, fell_s: float) -> tuple[float, float]:
    """(survival, hazard at the second dropout over the background) of the harness at the slowest rate."""
    moves = [action(9, 300.0, ActionKind.UNPLUG, "harness")] if moved else []
    incidents = [dropout(20.0, 24.0, "spreader"), dropout(fell_s, fell_s + 4.0, "spreader")]
    evidence, record = weigh(incidents, [action(1, at_s, kind, "harness"), *moves], 310.0)
    p = record.reach.parts.index("harness")
    return float(evidence.survival[p, 0]), float(evidence.hazard[p, 1, 0] / evidence.background[1, 0])


@pytest.mark.parametrize(("moved", "factor"), [(False, 0.6), (True, 0.99 * 0.6 + 0.01)])
def test_shaking_a_part_in_vain_speaks_against_it(moved: bool, factor: float) -> None:
    """A bad contact shows in two of five cases when it is moved; what was moved may have been out by mistake."""
    shaken, _ = harness_with(ActionKind.WIGGLE, moved=moved, at_s=100.0, fell_s=200.0)
    marked, _ = harness_with(ActionKind.MARK, moved=moved, at_s=100.0, fell_s=200.0)
    assert shaken / marked == pytest.approx(factor)


@pytest.mark.parametrize(("after_s", "in_vain"), [(-2.2, True), (-1.8, False), (2.4, False), (2.6, True)])
def test_what_falls_shortly_after_the_shaking_is_not_in_vain(after_s: float, in_vain: bool) -> None:
    """Written at 100 s, so likely at 99.5 s; from two seconds before to two and a half after counts as an answer."""
    shaken, _ = harness_with(ActionKind.WIGGLE, moved=False, at_s=100.0, fell_s=99.475 + after_s)
    marked, _ = harness_with(ActionKind.MARK, moved=False, at_s=100.0, fell_s=99.475 + after_s)
    assert shaken / marked == pytest.approx(0.6 if in_vain else 1.0)


def test_shaking_says_nothing_of_another_part_nor_of_one_that_is_out() -> None:
    """What hangs on the harness is shaken with it."""

    def survived(part: str, *, out: bool, kind: ActionKind) -> float:
        pulled = [action(1, 50.0, ActionKind.UNPLUG, "harness")] if out else []
        evidence, record = weigh([dropout(20.0, 24.0, "spreader")], [*pulled, action(2, 100.0, kind, "harness")], 200.0)
        return float(evidence.survival[record.reach.parts.index(part), 0])

    def told(part: str, *, out: bool = False) -> float:
        return survived(part, out=out, kind=ActionKind.WIGGLE) / survived(part, out=out, kind=ActionKind.MARK)

    assert told("harness") == told("sensor") == pytest.approx(0.6)
    assert told("harness", out=True) == told("spreader") == told("fuse") == pytest.approx(1.0)


def test_a_part_that_was_just_shaken_shows_in_two_of_five_cases_within_a_second_and_a_half() -> None:
    """Added to its hazard: 0.4 / 1.5 s times how likely the shaking came within that time before the dropout."""
    _, shaken = harness_with(ActionKind.WIGGLE, moved=False, at_s=100.0, fell_s=100.0)
    _, marked = harness_with(ActionKind.MARK, moved=False, at_s=100.0, fell_s=100.0)
    waits = [100.025 - (100.0 - node / 10.0) for node in range(-30, 51)]
    within = sum(w for w, waited in zip(lateness_weights(), waits, strict=True) if 0.0 < waited < 1.5)
    assert (shaken - marked) / marked == pytest.approx(0.4 / 1.5 * within / RATES_HZ[0])


def test_a_journal_whose_clock_is_ahead_is_read_as_if_it_were_not() -> None:
    incidents = [dropout(20.0, 24.0, "spreader"), dropout(62.0, 66.0, "spreader")]

    def weighed(ahead_s: float) -> Float64Array:
        pressed = [action(n, t + ahead_s, ActionKind.UNPLUG, "harness") for n, t in ((1, 40.0), (2, 61.0))]
        reach = find_reach(CARRIER, pressed)
        losses = gather_losses(incidents, reach.controllers, 0)
        evidence = weigh_evidence(CARRIER, losses, range(2), reach, pressed, 0, 90.0, offset_s=ahead_s)
        return np.concatenate((evidence.survival, evidence.hazard.sum(axis=1)))

    assert weighed(3.0) == pytest.approx(weighed(0.0))


def test_quiet_of_one_plugging_after_another_adds_up() -> None:
    """In from 24 s to 99.5 s, and from 109.5 s to the end: presses are likeliest half a second late."""
    moves = [action(1, 100.0, ActionKind.UNPLUG, "harness"), action(2, 110.0, ActionKind.PLUG, "harness")]
    evidence, record = weigh([dropout(20.0, 24.0, "spreader")], moves, 200.0)
    assert evidence.quiet_s[record.reach.parts.index("harness")] == pytest.approx(75.5 + 90.5)
    assert evidence.quiet_s[record.reach.parts.index("spreader")] == pytest.approx(176.0)


def test_a_plug_that_no_map_knows_hangs_on_one_of_those_that_fell_alone() -> None:
    """The hopper and the fan each fell alone, the lift only with others: its quiet says nothing of the blue plug."""
    machine = sweeper()
    actions = [unplug(1, 300.0, "blue plug")]
    incidents = [dropout(20.0, 24.0, "hopper"), dropout(30.0, 34.0, "fan"), dropout(40.0, 44.0, "fan", "lift")]
    incidents += [dropout(100.0, 190.0, "hopper", "fan")]
    reach = find_reach(machine, actions)
    losses = gather_losses(incidents, reach.controllers, 0)
    evidence = weigh_evidence(machine, losses, range(4), reach, actions, 0, 195.0)
    # Between the third dropout and the fourth; after that neither was up for long, while the lift was.
    assert evidence.quiet_s[reach.parts.index("blue plug")] == pytest.approx(60.0, abs=0.1)


def test_a_part_that_was_never_exposed_has_no_quiet_and_nothing_to_answer_for() -> None:
    out = [unplug(1, 0.2, "harness")]
    evidence, record = weigh([dropout(20.0, 24.0, "spreader")], out, 200.0)
    assert evidence.quiet_s[record.reach.parts.index("harness")] == 0.0
    assert not evidence.exposed[record.reach.parts.index("harness")].any()


def test_a_part_gone_bad_late_answers_to_the_shaking_like_one_bad_from_the_start() -> None:
    incidents = [dropout(20.0, 24.0, "spreader"), dropout(100.0, 104.0, "spreader")]
    evidence, record = weigh(incidents, [action(1, 100.0, ActionKind.WIGGLE, "harness")], 200.0)
    p = record.reach.parts.index("harness")
    assert evidence.hazard[p, 1, 0] > 10.0 * evidence.hazard[record.reach.parts.index("spreader"), 1, 0]
    slow = RATES_HZ < 0.1
    assert evidence.late.hazard[p, 1][slow] == pytest.approx(evidence.hazard[p, 1][slow])


def test_after_a_doubled_press_another_that_does_not_fit_is_still_a_contradiction() -> None:
    """Unplugged twice in a second, and once more a minute later: out by what is written, and half of it doubted."""

    def blamed(*pressed_s: float) -> float:
        pressed = [action(n, t, ActionKind.UNPLUG, "harness") for n, t in enumerate(pressed_s, start=1)]
        incidents = [dropout(20.0, 24.0, "spreader"), dropout(80.0, 85.0, "spreader")]
        evidence, record = weigh(incidents, pressed, 300.0)
        return float(evidence.hazard[record.reach.parts.index("harness"), 1, 10])

    assert blamed(40.0, 41.0, 110.0) == pytest.approx(blamed(40.0, 110.0), rel=0.5)
    assert blamed(40.0, 41.0, 110.0) > 10.0 * blamed(40.0, 41.0)


@pytest.mark.parametrize("kind", [PartKind.LEAD, PartKind.CONNECTOR, PartKind.TERMINATOR])
def test_of_a_part_that_carries_supply_and_bus_how_they_came_back_tells_nothing(kind: PartKind) -> None:
    """A harness is of the branch, and restarts its controller in 95 % of cases (common practice)."""

    def weighed(p_restarted: float | None, kind: PartKind) -> float:
        parts = {**CARRIER.parts, "harness": replace(CARRIER.parts["harness"], kind=kind)}
        machine = replace(CARRIER, parts=MappingProxyType(parts))
        reach = find_reach(machine, ())
        losses = gather_losses([dropout(20.0, 24.0, "spreader", p_restarted=p_restarted)], reach.controllers, 0)
        evidence = weigh_evidence(machine, losses, range(1), reach, (), 0, 90.0)
        return float(evidence.hazard[reach.parts.index("harness"), 0, 0])

    assert weighed(0.9, kind) == pytest.approx(weighed(None, kind))
    assert weighed(0.03, kind) == pytest.approx(weighed(None, kind))
    harness = weighed(0.9, PartKind.HARNESS) / weighed(None, PartKind.HARNESS)
    assert harness == pytest.approx(2.0 * (0.95 * 0.9 + 0.05 * 0.1))
