"""What is said for and against a part, and the table of trials, counted from records by hand."""

from collections.abc import Sequence
from types import MappingProxyType

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.reasons import elsewhere_reasons, reasons_for
from busdoc.isolation.suspects.trials import cut_trials
from busdoc.isolation.verdict import Outcome
from busdoc.machine.machine import Machine, Part, PartKind
from tests.truth.hand_records import NS, HandRecord, action, dropout, plug, sweeper, unplug

TWICE = tuple(
    move(n, at_s, "harness-A")
    for n, (move, at_s) in enumerate(((unplug, 40.5), (plug, 60.5), (unplug, 70.5), (plug, 90.5)), start=1)
)
FELL = (dropout(20.0, 26.0, "hopper"), dropout(61.0, 66.0, "hopper"), dropout(91.0, 97.0, "hopper"))
ON_HOPPER = ("harness-B", "tilt-angle", "harness-C", "fill-level", "harness-D", "tilt-valve")


def found(
    actions: Sequence[Action],
    incidents: Sequence[Incident],
    until_s: float,
    machine: Machine | None = None,
    away: Sequence[tuple[str, int, int | None]] = (),
) -> Findings:
    record = HandRecord(sweeper() if machine is None else machine, start_ns=0)
    for one in actions:
        record.act(one)
    for incident in incidents:
        record.saw(incident)
    for controller, from_ns, to_ns in away:
        record.away(controller, from_ns, to_ns)
    return record.findings(round(until_s * NS))


def said(findings: Findings, part: str, *, cleared: bool = False, codes: tuple[FaultCode, ...] = ()) -> list[str]:
    return list(reasons_for(findings, findings.reach.parts.index(part), cleared=cleared, codes=codes))


def test_of_a_branch_that_answered_each_time() -> None:
    """A press is likeliest half a second late: out from 40 s to 60 s and from 70 s to 90 s."""
    assert said(found(TWICE, FELL, 130.0), "gate-angle") == [
        "was plugged in 0.5 s before the dropout",
        "the dropout came back both times it was restored",
        "with it out, 40 s quiet",
    ]


def test_of_a_branch_that_answered_once_in_two_times() -> None:
    assert said(found(TWICE, FELL[:2], 130.0), "harness-A")[:3] == [
        "was plugged in 0.5 s before the dropout",
        "the dropout came back 1 of the 2 times it was restored",
        "with it out, 40 s quiet",
    ]


def test_of_a_branch_that_answered_three_times_and_as_it_was_written_down() -> None:
    """The last dropout came 0.2 s before its press."""
    actions = (*TWICE, unplug(5, 100.5, "harness-A"), plug(6, 120.5, "harness-A"))
    assert said(found(actions, (*FELL, dropout(120.275, None, "hopper")), 130.0), "harness-A")[:3] == [
        "was plugged in as the dropout came (written down 0.2 s after it)",
        "the dropout came back all 3 times it was restored",
        "with it out, 1 min quiet",
    ]


@pytest.mark.parametrize(("after_s", "answers"), [(14.9, True), (15.1, False)])
def test_a_dropout_within_fifteen_seconds_answers_to_the_plug(after_s: float, answers: bool) -> None:
    """Common practice: a start, and a moment. A dropout is taken a fortieth of a second after the last frame."""
    fell = (*FELL[:2], dropout(90.5 + after_s - 0.025, None, "hopper"))
    times = "both times" if answers else "1 of the 2 times"
    assert f"the dropout came back {times} it was restored" in said(found(TWICE, fell, 130.0), "harness-A")


def test_of_a_branch_that_was_replaced_and_of_one_beside_it() -> None:
    fell = [dropout(t, t + 4.0, "hopper") for t in (20.0, 30.0, 40.0, 90.0)]
    replaced = found([action(1, 60.0, ActionKind.REPLACE, "harness-B")], fell, 200.0)
    assert said(replaced, "harness-B") == [
        "with it out, the trouble came all the same, 1 time",
        "could not have made 1 of 4 dropouts: it was out, or reaches other controllers",
        "was replaced; the trouble came again 1 time since",
    ]
    assert said(replaced, "hopper")[0] == "fell alone 4 times"
    quiet = found([action(1, 100.0, ActionKind.REPLACE, "harness-B")], fell, 200.0)
    assert "was replaced, and 1 min 40 s quiet since" in said(quiet, "harness-B")


@pytest.mark.parametrize(
    ("p_restarted", "how"),
    [
        (0.97, ["they restarted, as without supply"]),
        (0.03, ["they had kept running: a broken bus"]),
        (None, []),
    ],
)
def test_of_a_feed_and_a_segment_whose_controllers_fell_together(p_restarted: float | None, how: list[str]) -> None:
    """The engine's own dropout is somebody else's, and fits neither fuse-3 nor the trunk."""
    fell = [dropout(t, t + 4.0, "hopper", "fan", "lift", p_restarted=p_restarted) for t in (20.0, 50.0)]
    findings = found([], [*fell, dropout(80.0, 84.0, "engine")], 200.0)
    supplies = ["supplies hopper, fan, lift; they fell together 2 times", *how]
    assert said(findings, "fuse-3")[: len(supplies)] == supplies
    assert said(findings, "rear-trunk")[0] == "carries the bus of hopper, fan, lift; they fell together 2 times"
    assert said(findings, "fuse-2")[:2] == [
        "supplies broom, which did not fall together",
        "does not fit who fell in 3 of 3 dropouts",
    ]
    assert said(findings, "battery")[0].startswith("supplies engine, display, broom and 3 more; they fell together 2")
    assert said(findings, "engine") == ["fell alone 1 time", "does not fit who fell in 2 of 3 dropouts"]
    assert elsewhere_reasons(findings)[0] == "3 dropouts that no action explains, on engine, hopper, fan, lift"


def test_a_likely_part_is_told_what_it_did_not_do() -> None:
    fell = [dropout(t, t + 4.0, "hopper", "fan", "lift") for t in (20.0, 50.0)]
    assert said(found([], [*fell, dropout(80.0, 84.0, "engine")], 200.0), "fuse-3")[-1] == (
        "1 of the 3 dropouts has another cause"
    )


def test_quiet_is_said_of_what_is_cleared_first_and_of_what_is_unlikely_last() -> None:
    findings = found(TWICE, FELL, 130.0)
    quiet = "exposed and quiet for 1 min 50 s; this fault would have shown by then (91 %)"
    assert said(findings, "fan") == ["does not fit who fell in 3 of 3 dropouts", quiet]
    assert said(findings, "fan", cleared=True) == [quiet, "does not fit who fell in 3 of 3 dropouts"]
    assert not any("quiet for" in one for one in said(findings, "harness-A"))  # a suspect is not excused


def test_of_a_start_that_failed() -> None:
    findings = found([action(7, 60.0, ActionKind.POWER_CYCLE)], [], 200.0, away=[("hopper", 0, None)])
    assert said(findings, "hopper") == [
        "it was off the bus when the record began",
        "it did not come back after action 7",
    ]
    assert said(findings, "fill-level") == [
        "hopper, with this plugged in, was off the bus when the record began",
        "hopper, with this plugged in, did not come back after action 7",
    ]
    assert said(findings, "engine") == []
    assert elsewhere_reasons(findings) == ("no dropout that an action does not explain",)


def test_a_code_points_at_a_part_by_name_or_by_kind_on_its_own_controller() -> None:
    findings = found([], FELL[:1], 60.0)

    def points(controller: str, *at: str) -> list[str]:
        code = FaultCode(
            controller=controller,
            kind=CodeKind.SPN_FMI,
            code="SPN 1 FMI 4",
            text="supply below range",
            occurrences=1,
            first_ns=0,
            last_ns=0,
            active=True,
            points_at=at,
        )
        return [p for p in findings.reach.parts if "SPN 1 FMI 4 points at it" in said(findings, p, codes=(code,))]

    assert points("hopper", "sensor") == ["gate-angle", "tilt-angle", "fill-level"]
    assert points("fan", "sensor") == []
    assert points("fan", "tilt-valve") == ["tilt-valve"]


def test_where_no_map_says_what_hangs_on_them() -> None:
    map_of_supply = Machine(parts=MappingProxyType({"fuse": Part(name="fuse", kind=PartKind.FEED)}))
    hint = "no map says what hangs on the controllers: name in the journal what is unplugged, to narrow it down"
    assert elsewhere_reasons(found([], FELL[:1], 60.0, map_of_supply)) == (
        "1 dropout that no action explains, on hopper",
        "it fits no part on the map better than chance",
        hint,
    )
    assert hint not in elsewhere_reasons(found([], FELL[:1], 60.0))


def test_trials_are_cut_where_a_plug_was_moved_and_where_the_controller_fell_and_came_back() -> None:
    """One line a trial; a press is likeliest half a second late, a trouble is shown as long after it began."""
    table = [
        (t.from_ns / NS, t.to_ns / NS, t.outcome, "harness-A" in t.exposed, t.shown_after_ns)
        for t in cut_trials(found(TWICE, FELL, 130.0))
    ]
    assert table == [
        (0.0, 20.0, Outcome.TROUBLE, True, 20 * NS),
        (26.0, 40.0, Outcome.QUIET, True, None),
        (40.0, 60.0, Outcome.QUIET, False, None),
        (60.0, 61.0, Outcome.TROUBLE, True, NS),
        (66.0, 70.0, Outcome.QUIET, True, None),
        (70.0, 90.0, Outcome.QUIET, False, None),
        (90.0, 91.0, Outcome.TROUBLE, True, NS),
        (97.0, 130.0, Outcome.QUIET, True, None),
    ]


def test_of_a_controller_without_branches_the_trials_say_what_supplies_it_and_carries_its_bus() -> None:
    """And one that had no trouble, and of which nothing was moved, has none."""
    trials = cut_trials(found([], [dropout(20.0, 26.0, "fan")], 60.0))
    assert [(t.controller, t.from_ns / NS, t.to_ns / NS, t.outcome) for t in trials] == [
        ("fan", 0.0, 20.0, Outcome.TROUBLE),
        ("fan", 26.0, 60.0, Outcome.QUIET),
    ]
    assert trials[0].exposed == ("battery", "fuse-3", "front-trunk", "rear-trunk")


@pytest.mark.parametrize(("apart_s", "n_trials"), [(0.4, 3), (0.6, 4)])
def test_the_moment_between_two_moves_of_the_hand_is_no_trial(apart_s: float, n_trials: int) -> None:
    """Common practice: half a second. The two plugs cut the record, and only the longer piece between them counts."""
    moved = [unplug(1, 40.5, "harness-A"), unplug(2, 40.5 + apart_s, "harness-B")]
    trials = cut_trials(found(moved, FELL[:1], 60.0))
    assert len(trials) == n_trials
    assert set(trials[-1].exposed) == set(ON_HOPPER) - {"harness-B", "tilt-angle"}


def test_a_plug_that_was_written_down_after_the_trouble_that_it_made_is_moved_before_it() -> None:
    late = (*TWICE, unplug(5, 100.5, "harness-A"), plug(6, 121.9, "harness-A"))
    trials = cut_trials(found(late, (*FELL, dropout(121.0, None, "hopper")), 130.0))
    shown = trials[-1]
    assert shown.to_ns == 121 * NS
    assert "harness-A" in shown.exposed
    assert shown.outcome is Outcome.TROUBLE
    assert shown.shown_after_ns is not None
    assert shown.shown_after_ns < NS // 2
