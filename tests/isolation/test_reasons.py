"""What is said for and against a part, and the table of trials, counted from records by hand."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
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


def shown_by(findings: Findings, *shares: Mapping[str, float]) -> Findings:
    """Let the posterior be that these parts made the incidents, one after the other."""
    shows = np.array([[share.get(part, 0.0) for part in findings.reach.parts] for share in shares])
    return replace(findings, posterior=replace(findings.posterior, shows=shows))


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


@pytest.mark.parametrize(
    ("early_s", "uncertain_s", "answers"), [(2.9, 1.0, True), (3.1, 1.0, False), (5.9, 2.0, True), (6.1, 2.0, False)]
)
def test_a_dropout_before_the_plug_answers_to_it_as_far_as_that_may_have_been_written_late(
    early_s: float, uncertain_s: float, answers: bool
) -> None:
    """Up to three times its uncertainty."""
    moves = [unplug(1, 40.5, "harness-A"), replace(plug(2, 60.5, "harness-A"), uncertainty_ns=round(uncertain_s * NS))]
    findings = found(moves, [dropout(60.5 - early_s, None, "hopper")], 130.0)
    told = f"was plugged in as the dropout came (written down {early_s - 0.025:.1f} s after it)"
    assert (told in said(shown_by(findings, {"harness-A": 1.0}), "harness-A")) is answers


def test_a_branch_that_was_plugged_in_once_did_not_bring_the_dropout_back_each_time() -> None:
    """A mark is no plug, and moving another branch is none of this one."""
    moves = [unplug(1, 40.5, "harness-A"), action(2, 50.0, ActionKind.MARK), plug(3, 60.5, "harness-A")]
    moves += [action(4, 64.0, ActionKind.MARK), unplug(5, 70.0, "harness-B"), plug(6, 72.0, "harness-B")]
    assert said(shown_by(found(moves, FELL[1:2], 130.0), {"harness-A": 1.0}), "harness-A")[:2] == [
        "was plugged in 0.5 s before the dropout",
        "with it out, 20 s quiet",
    ]


def test_a_dropout_that_is_hardly_a_branchs_does_not_answer_to_its_plug() -> None:
    """It counts with what hangs on it, and not with what supplies the controller nor with the controller."""
    findings = found(TWICE, FELL[1:], 130.0)

    def answered(**shares: float) -> bool:
        by_part = {name.replace("_", "-"): share for name, share in shares.items()}
        return any("plugged in" in one for one in said(shown_by(findings, by_part, {}), "harness-A"))

    assert answered(harness_A=0.4)
    assert answered(harness_A=0.2, gate_angle=0.2)
    assert not answered(harness_A=0.1, gate_angle=0.1)
    assert not answered(harness_A=0.1, hopper=0.9)
    assert not answered(harness_A=0.1, fuse_3=0.9)
    assert not answered(harness_A=0.1, harness_B=0.9)


@pytest.mark.parametrize(("first_out_s", "quiet"), [(19.3, "37 s"), (19.6, "38 s")])
def test_quiet_with_a_branch_out_is_that_of_its_controller_while_it_was_on_the_bus(
    first_out_s: float, quiet: str
) -> None:
    """Out until it is plugged in, and from 60 s to the end at 80 s; the hopper away for two seconds of that.

    That it was away while the branch was in, twice, takes nothing off, nor does what was pressed in between.
    """
    moves = [plug(1, first_out_s + 0.5, "harness-A"), unplug(2, 60.5, "harness-A")]
    moves += [action(n, 70.5, ActionKind.MARK) for n in (3, 4)]
    away = [("hopper", from_s * NS, to_s * NS) for from_s, to_s in ((10, 12), (30, 34), (40, 47))]
    assert said(found(moves, [], 80.0, away=away), "harness-A") == [f"with it out, {quiet} quiet"]


@pytest.mark.parametrize(("out_s", "told"), [(0.8, []), (1.0, ["with it out, 1 s quiet"])])
def test_quiet_of_less_than_a_second_is_not_worth_a_word(out_s: float, told: list[str]) -> None:
    moves = [unplug(1, 40.5, "harness-A"), plug(2, 40.5 + out_s, "harness-A")]
    assert said(found(moves, [], 80.0), "harness-A") == told


def test_trouble_with_a_branch_out_is_its_controllers_by_whatever_else_while_it_was_out() -> None:
    """Not the fan's; not one that came while it was in; nor one that it made all the same, as far as one can tell."""
    moves = [unplug(1, 40.5, "harness-A"), plug(2, 80.5, "harness-A")]
    fell = [dropout(t, t + 4.0, name) for t, name in ((20.0, "hopper"), (50.0, "fan"), (60.0, "hopper"))]

    def told(**shares: float) -> list[str]:
        by_part = {name.replace("_", "-"): share for name, share in shares.items()}
        findings = shown_by(found(moves, fell, 130.0), {"harness-B": 1.0}, {"fan": 1.0}, by_part)
        return [one for one in said(findings, "harness-A") if one.startswith("with it out")]

    assert told(harness_B=1.0) == ["with it out, the trouble came all the same, once"]
    assert told(harness_A=0.4) == ["with it out, the trouble came all the same, once"]
    assert told(harness_A=0.3, gate_angle=0.3) == ["with it out, 36 s quiet"]


@pytest.mark.parametrize(("quiet_s", "passed", "told"), [(0.9, 0.1, 0), (1.0, 0.1, 1), (9.0, 0.5, 1), (9.0, 0.6, 0)])
def test_quiet_that_a_fault_would_hardly_have_kept_is_said(quiet_s: float, passed: float, told: int) -> None:
    """From a second on, and where more than half of such faults would have shown."""
    findings = found([], FELL[:1], 60.0)
    n_parts = len(findings.reach.parts)
    findings = replace(findings, evidence=replace(findings.evidence, quiet_s=np.full(n_parts, quiet_s)))
    findings = replace(findings, posterior=replace(findings.posterior, earned=np.full(n_parts, passed)))
    assert sum("quiet for" in one for one in said(findings, "engine")) == told


def test_the_calendar_does_not_matter_to_what_is_said() -> None:
    day_s = 86_400.0
    record = HandRecord(sweeper(), start_ns=round(day_s * NS))
    for move in (*TWICE, action(5, 100.0, ActionKind.REPLACE, "harness-B")):
        record.act(replace(move, time_ns=move.time_ns + record.known_at(0).start_ns))
    for t in (20.0, 61.0, 91.0):
        record.saw(dropout(day_s + t, day_s + t + 5.0, "hopper"))
    findings = record.findings(round((day_s + 130.0) * NS))
    assert said(findings, "harness-A")[:2] == [
        "was plugged in 0.5 s before the dropout",
        "the dropout came back both times it was restored",
    ]
    assert "was replaced; quiet since" in said(findings, "harness-B")


def test_of_a_branch_that_was_replaced_and_of_one_beside_it() -> None:
    fell = [dropout(t, t + 4.0, "hopper") for t in (20.0, 30.0, 40.0, 90.0)]
    replaced = found([action(1, 60.0, ActionKind.REPLACE, "harness-B")], fell, 200.0)
    assert said(replaced, "harness-B") == [  # it is not out once another one is in
        "could not have made 1 of 4 dropouts: it was out, or reaches other controllers",
        "was replaced; the trouble came again once since",
    ]
    assert said(replaced, "hopper")[0] == "fell alone 4 times"
    quiet = found([action(1, 100.0, ActionKind.REPLACE, "harness-B")], fell, 200.0)
    assert "was replaced; quiet since" in said(quiet, "harness-B")
    assert not any("replaced" in one for one in said(quiet, "harness-A"))


@pytest.mark.parametrize(("after_s", "again"), [(-0.5, False), (0.975, False), (1.5, True)])
def test_the_trouble_comes_again_no_sooner_than_a_second_after_the_replacement_was_written_down(
    after_s: float, again: bool
) -> None:
    """A press may be late: what comes sooner may have come before."""
    moves = [unplug(1, 50.0, "harness-B"), action(2, 60.0, ActionKind.REPLACE, "harness-B"), plug(3, 70.0, "harness-B")]
    told = said(found(moves, [dropout(60.0 + after_s, 64.0, "hopper")], 90.0), "harness-B")
    assert [one for one in told if "replaced" in one] == [
        "was replaced; the trouble came again once since" if again else "was replaced; quiet since"
    ]


def test_of_a_controller_only_what_it_did_alone_is_its_own() -> None:
    """Also where it was off the machine for a while."""
    moves = [unplug(1, 70.0, "hopper"), plug(2, 80.0, "hopper")]
    fell = [dropout(20.0, 24.0, "hopper"), dropout(40.0, 44.0, "hopper", "fan"), dropout(60.0, 64.0, "fan")]
    assert said(found(moves, fell, 90.0), "hopper")[0] == "fell alone once"


@pytest.mark.parametrize(("unit", "alone"), [("hopper", "4 times"), ("fan", "twice")])
def test_of_a_controller_that_changed_places_what_it_did_in_each_is_its_own(unit: str, alone: str) -> None:
    """From 50 s on the hopper's place says what the fan's own box does, and the other way round."""
    moves = [action(1, 50.0, ActionKind.SWAP, "hopper", "fan")]
    fell = [dropout(t, t + 2.0, "hopper") for t in (20.0, 30.0, 70.0)]
    fell += [dropout(t, t + 2.0, "fan") for t in (40.0, 60.0, 80.0)]
    assert f"fell alone {alone}" in said(found(moves, fell, 200.0), unit)


def test_a_feed_that_was_pulled_for_a_while_supplies_what_it_supplies() -> None:
    """One that fell alone did not fall together with anything."""
    moves = [unplug(1, 70.0, "fuse-3"), plug(2, 80.0, "fuse-3")]
    fell = [dropout(20.0, 24.0, "hopper", "fan"), dropout(40.0, 44.0, "fan"), dropout(50.0, 54.0, "fan", "engine")]
    findings = found(moves, fell, 69.0)
    assert said(findings, "fuse-3")[0] == "supplies hopper, fan, lift; they fell together once"
    apart = found(moves, [dropout(20.0, 24.0, "hopper"), dropout(40.0, 44.0, "fan")], 69.0)
    assert said(apart, "fuse-3")[0] == "supplies hopper, fan, lift, which did not fall together"


def test_of_more_than_four_controllers_three_are_named() -> None:
    fell = [dropout(20.0, 24.0, "engine", "display", "broom", "hopper", "fan")]
    assert elsewhere_reasons(found([], fell, 60.0))[0].endswith("on engine, display, broom and 2 more")


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
    supplies = ["supplies hopper, fan, lift; they fell together twice", *how]
    assert said(findings, "fuse-3")[: len(supplies)] == supplies
    assert said(findings, "rear-trunk")[0] == "carries the bus of hopper, fan, lift; they fell together twice"
    assert said(findings, "fuse-2")[0] == "does not fit who fell in 3 of 3 dropouts"
    assert said(findings, "battery")[0].startswith(
        "supplies engine, display, broom and 3 more; they fell together twice"
    )
    assert said(findings, "engine") == ["fell alone once", "does not fit who fell in 2 of 3 dropouts"]
    assert elsewhere_reasons(findings)[0] == "3 dropouts that no action explains, on engine, hopper, fan, lift"


def test_a_likely_part_is_told_what_it_did_not_do() -> None:
    fell = [dropout(t, t + 4.0, "hopper", "fan", "lift") for t in (20.0, 50.0, 110.0)]
    assert said(found([], [*fell, dropout(80.0, 84.0, "engine")], 200.0), "fuse-3")[-1] == (
        "1 of the 4 dropouts has another cause"
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
    assert elsewhere_reasons(findings) == ()


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
    assert elsewhere_reasons(found([], FELL[:1], 60.0)) == ("1 dropout that no action explains, on hopper",)
    twice = shown_by(found([], FELL, 130.0), {}, {"fan": 0.4}, {"harness-A": 0.3, "hopper": 0.3})
    assert elsewhere_reasons(twice)[1] == "2 of them fit no part on the map better than chance"


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
