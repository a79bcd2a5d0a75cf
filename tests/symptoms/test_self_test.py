"""A code that only a start brings: some checks are made in the self-test at power-up alone (common practice)."""

from dataclasses import replace

from busdoc.actions.action import Action, ActionKind
from busdoc.health.summary import Health
from busdoc.isolation.engine import SymptomVerdict, isolate_symptom
from busdoc.symptoms.latching import latching_in_words
from busdoc.symptoms.self_test import probability_of_self_test, seen_after_starts
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from tests.truth.hand_records import BRANCHES, NS, sweeper

STARTS_S = (100.0, 200.0, 300.0)
"""The power is cycled then; the controller says what is active from 6 s later on."""
UNTIL_S = 400.0


def symptom(*came_s: float) -> Symptom:
    """It came at these times, and each time the next power cycle, or the end, took it away."""
    edges = [0.0, *STARTS_S]
    could = tuple(
        (round((a + (6.0 if a else 0.0)) * NS), round(b * NS)) for a, b in zip(edges, [*STARTS_S, UNTIL_S], strict=True)
    )
    spans = []
    for t in came_s:
        start_s = next((s for s in STARTS_S if 0.0 <= t - s < 10.0), None)
        gone_s = next((s for s in STARTS_S if s > t), None)
        not_yet_s = t - 1.0 if start_s is None else start_s + 5.0
        spans.append(
            ShowingSpan(
                since_ns=round(t * NS),
                not_yet_ns=round(not_yet_s * NS),
                still_ns=round((t if gone_s is None else gone_s) * NS),
                gone_ns=None if gone_s is None else round(gone_s * NS),
            )
        )
    return Symptom(
        kind=SymptomKind.CODE,
        name="code:hopper:SPN 520001 FMI 2",
        text="",
        controller="hopper",
        spans=tuple(spans),
        observable=could,
        latency_ns=3 * NS,
        codes=("SPN 520001 FMI 2",),
    )


def did(at_s: float, kind: ActionKind, part: str | None = None) -> Action:
    return Action(n=0, time_ns=round(at_s * NS), uncertainty_ns=NS, kind=kind, part=part)


CYCLES = [did(s, ActionKind.POWER_CYCLE) for s in STARTS_S]
PLUGGED_LIVE = [
    *[did(10.0 + 3.0 * n, ActionKind.UNPLUG, branch) for n, branch in enumerate(BRANCHES)],
    did(120.0, ActionKind.PLUG, "harness-B"),
    did(150.0, ActionKind.PLUG, "harness-A"),
]


def test_what_starts_bring_after_a_quiet_with_the_same_plugs_comes_with_them_alone() -> None:
    assert probability_of_self_test(symptom(206.0), [*CYCLES, *PLUGGED_LIVE]) > 0.5
    twice = [*CYCLES, *PLUGGED_LIVE, did(220.0, ActionKind.MARK)]
    assert probability_of_self_test(symptom(206.0), twice) >= 0.5


def test_one_that_came_while_its_controller_ran_does_not() -> None:
    assert probability_of_self_test(symptom(150.5, 206.0), [*CYCLES, *PLUGGED_LIVE]) < 0.05


def test_a_plug_moved_before_the_start_explains_it_as_well() -> None:
    moved = [*CYCLES, *PLUGGED_LIVE, did(195.0, ActionKind.PLUG, "harness-C")]
    assert probability_of_self_test(symptom(206.0), moved) < 0.2


def test_it_can_then_be_seen_after_starts_and_while_it_shows() -> None:
    found = seen_after_starts(symptom(206.0), [*CYCLES, *PLUGGED_LIVE])
    assert found.only_after_starts
    assert found.observable == ((106 * NS, 116 * NS), (206 * NS, 300 * NS), (306 * NS, 316 * NS))
    assert latching_in_words(found) == "comes only after a start, in its controller's self-test"


def judged(one: Symptom, actions: list[Action]) -> SymptomVerdict:
    health = Health(
        start_ns=0, until_ns=round(UNTIL_S * NS), frames=0, error_frames=0, controllers=(), incidents=(), gaps=()
    )
    numbered = [replace(a, n=n) for n, a in enumerate(sorted(actions, key=lambda a: a.time_ns), start=1)]
    return isolate_symptom(health, numbered, sweeper(), (), one)


def test_its_quiet_under_power_clears_nobody_and_the_next_test_has_a_start() -> None:
    found = judged(symptom(206.0), [*CYCLES, *PLUGGED_LIVE])
    given = {one.part: one.probability for one in found.verdict.suspects}
    # both came in under power, 50 s and 80 s before the start that brought it: neither is cleared by that
    assert given["harness-A"] + given["gate-angle"] > 0.25
    assert given["harness-B"] + given["tilt-angle"] > 0.2
    assert given["harness-C"] < 0.1
    steps = [step.action for step in found.verdict.next_tests[0].steps]
    assert ActionKind.POWER_CYCLE in steps or ActionKind.POWER_ON in steps
