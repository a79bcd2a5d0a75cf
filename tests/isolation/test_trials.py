"""The table of trials at its edges: whose they are, where they are cut, how they ended; by hand."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.actions.action import Action
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.trials import cut_trials, likely_times_s
from busdoc.isolation.verdict import Outcome
from tests.truth.hand_records import NS, HandRecord, dropout, plug, sweeper, unplug

DAY_NS = 86_400 * NS


def found(actions: list[Action], incidents: list[Incident], until_s: float, start_ns: int = 0) -> Findings:
    record = HandRecord(sweeper(), start_ns=start_ns)
    for one in actions:
        record.act(one)
    for incident in incidents:
        record.saw(incident)
    return record.findings(round(until_s * NS))


def table(findings: Findings, controller: str = "hopper") -> list[tuple[float, float, Outcome]]:
    """(from, to, how it ended), s from the start."""
    trials = [t for t in cut_trials(findings) if t.controller == controller]
    return [((t.from_ns - findings.start_ns) / NS, (t.to_ns - findings.start_ns) / NS, t.outcome) for t in trials]


def test_times_are_those_of_the_capture_and_not_of_the_calendar_nor_of_the_journals_clock() -> None:
    moves = [unplug(1, 86_440.5, "harness-A"), plug(2, 86_460.5, "harness-A")]
    findings = found(moves, [dropout(86_420.0, 86_426.0, "hopper")], 86_500.0, DAY_NS)
    assert likely_times_s(findings) == pytest.approx([40.0, 60.0])
    assert likely_times_s(replace(findings, offset_s=3.0)) == pytest.approx([37.0, 57.0])
    assert table(findings) == [
        (0.0, 20.0, Outcome.TROUBLE),
        (26.0, 40.0, Outcome.QUIET),
        (40.0, 60.0, Outcome.QUIET),
        (60.0, 100.0, Outcome.QUIET),
    ]
    assert likely_times_s(found([], [], 10.0)).shape == (0,)


def test_a_press_of_which_one_is_less_sure_is_likelier_earlier_but_never_before_the_one_before_it() -> None:
    sure, unsure = unplug(1, 40.5, "harness-A"), replace(unplug(2, 41.0, "harness-B"), uncertainty_ns=4 * NS)
    assert likely_times_s(found([sure, unsure], [], 60.0)) == pytest.approx([40.0, 40.0])


def test_each_controller_that_fell_has_its_trials_and_ends_only_its_own() -> None:
    """The broom never fell; the fan fell once with the hopper, heard a second longer than that."""
    both = dropout(20.0, 26.0, "hopper", "fan")
    later = tuple(replace(one, last_seen_ns=21 * NS) if one.controller == "fan" else one for one in both.losses)
    findings = found([], [replace(both, losses=later), dropout(50.0, 56.0, "hopper")], 60.0)
    hopper = [(0.0, 20.0, Outcome.TROUBLE), (26.0, 50.0, Outcome.TROUBLE), (56.0, 60.0, Outcome.QUIET)]
    assert table(findings) == hopper
    assert table(findings, "fan") == [(0.0, 21.0, Outcome.TROUBLE), (26.0, 60.0, Outcome.QUIET)]
    assert {t.controller for t in cut_trials(findings)} == {"hopper", "fan"}


def test_a_controller_that_is_seldom_heard_is_known_to_have_fallen_long_after_it_did() -> None:
    """Missed five seconds after its last frame; the trial was in trouble all the same."""
    slow = replace(dropout(20.0, 40.0, "hopper"), onset_ns=25 * NS, losses=())
    assert table(found([], [slow], 60.0)) == [(0.0, 20.0, Outcome.TROUBLE), (40.0, 60.0, Outcome.QUIET)]


def test_one_that_falls_as_it_comes_back_has_had_no_trial_nor_has_one_that_stays_away() -> None:
    twice = [dropout(20.0, 30.0, "hopper"), dropout(30.0, None, "hopper")]
    assert table(found([], twice, 60.0)) == [(0.0, 20.0, Outcome.TROUBLE)]


def test_a_move_that_was_made_as_it_fell_or_came_back_cuts_nothing() -> None:
    moves = [unplug(1, 20.5, "harness-A"), plug(2, 26.5, "harness-A")]
    assert table(found(moves, [dropout(20.0, 26.0, "hopper")], 60.0)) == [
        (0.0, 20.0, Outcome.TROUBLE),
        (26.0, 60.0, Outcome.QUIET),
    ]


@pytest.mark.parametrize(("apart_s", "n_trials"), [(0.25, 3), (0.5, 4)])
def test_half_a_second_is_a_trial_and_less_is_none(apart_s: float, n_trials: int) -> None:
    moves = [unplug(1, 40.5, "harness-A"), unplug(2, 40.5 + apart_s, "harness-B")]
    assert len(table(found(moves, [dropout(20.0, 26.0, "hopper")], 60.0))) == n_trials


def moved_before(
    part: str, *, written_s: float, shown_by: dict[str, float], uncertain_s: float = 1.0
) -> list[tuple[float, float, Outcome]]:
    """Trials where the hopper fell at 20 s, as soon as it was missed, and a branch was plugged in thereafter."""
    press = replace(plug(2, written_s, part), uncertainty_ns=round(uncertain_s * NS))
    fell = replace(dropout(20.0, 40.0, "hopper"), onset_ns=20 * NS)
    findings = found([unplug(1, 5.5, part), press], [fell], 60.0)
    shows = np.array([[shown_by.get(name, 0.0) for name in findings.reach.parts]])
    return table(replace(findings, posterior=replace(findings.posterior, shows=shows)))


QUIET_BEFORE, AFTER = (0.0, 5.0, Outcome.QUIET), (40.0, 60.0, Outcome.QUIET)
AS_WRITTEN = [QUIET_BEFORE, (5.0, 20.0, Outcome.TROUBLE), AFTER]
BEFORE_IT = [QUIET_BEFORE, (5.0, 19.8, Outcome.QUIET), (19.8, 20.0, Outcome.TROUBLE), AFTER]


@pytest.mark.parametrize(
    ("written_s", "uncertain_s", "before_it"),
    [
        (20.5, 1.0, True),  # likeliest as it fell
        (23.4, 1.0, True),  # up to three times its uncertainty after it
        (23.6, 1.0, False),
        (26.9, 2.0, True),
        (27.1, 2.0, False),
    ],
)
def test_a_plug_is_moved_before_the_trouble_that_it_made_as_far_as_it_may_have_been_late(
    written_s: float, uncertain_s: float, before_it: bool
) -> None:
    """By a fifth of a second, so that there is a trial to be seen."""
    trials = moved_before("harness-A", written_s=written_s, shown_by={"harness-A": 0.9}, uncertain_s=uncertain_s)
    assert trials == (BEFORE_IT if before_it else AS_WRITTEN)


def test_a_plug_is_not_moved_before_a_trouble_that_it_hardly_made_or_that_another_part_did() -> None:
    """What hangs on it is joined with it, and counts with it."""
    assert moved_before("harness-A", written_s=21.0, shown_by={"harness-A": 0.3, "gate-angle": 0.3}) == BEFORE_IT
    assert moved_before("harness-A", written_s=21.0, shown_by={"harness-A": 0.4}) == AS_WRITTEN
    assert moved_before("harness-A", written_s=21.0, shown_by={"harness-B": 0.9}) == AS_WRITTEN
