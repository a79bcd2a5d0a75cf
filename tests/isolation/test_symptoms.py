"""Any symptom through the engine of dropouts: windows, latency, how a showing ends, and whether the figures hold."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import Float64Array
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.summary import Health
from busdoc.isolation.engine import SymptomVerdict, isolate_symptom
from busdoc.isolation.suspects.exposure import THE_MACHINE, find_reach
from busdoc.isolation.suspects.losses import gather_losses
from busdoc.isolation.suspects.press_timing import soften
from busdoc.isolation.suspects.rates import RATES_HZ, density_within
from busdoc.isolation.suspects.showings import losses_of_symptom
from busdoc.isolation.verdict import ELSEWHERE
from busdoc.machine.controller_spec import Identity
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from tests.truth.calibration import bin_table
from tests.truth.code_sessions import JudgedCode, Showing, judge_code, judge_dropouts, live_with_codes
from tests.truth.hand_records import BRANCHES, NS, ON_IT, action, sweeper


def plug(part: str, at_s: float) -> Action:
    return action(0, at_s, ActionKind.PLUG, part)


def unplug(part: str, at_s: float) -> Action:
    return action(0, at_s, ActionKind.UNPLUG, part)


SEEDS = range(60_000, 60_006)


def showing(since_s: float, gone_s: float | None, not_yet_s: float | None = -1.0) -> ShowingSpan:
    not_yet = None if not_yet_s is None else since_s - 1.0 if not_yet_s < 0.0 else not_yet_s
    return ShowingSpan(
        since_ns=round(since_s * NS),
        not_yet_ns=None if not_yet is None else round(not_yet * NS),
        still_ns=round(((since_s + 1.0 if gone_s is None else gone_s) - 1.0) * NS),
        gone_ns=None if gone_s is None else round(gone_s * NS),
    )


def code(
    *spans: ShowingSpan,
    until_s: float,
    controller: str | None = "hopper",
    latency_s: float = 3.0,
    blind: tuple[float, float] | None = None,
    latches: bool | None = None,
) -> Symptom:
    could = ((0, round(until_s * NS)),) if blind is None else (
        (0, round(blind[0] * NS)), (round(blind[1] * NS), round(until_s * NS))
    )  # fmt: skip
    return Symptom(
        kind=SymptomKind.CODE,
        name="code:hopper:SPN 3509 FMI 4",
        text="sensor supply",
        controller=controller,
        spans=spans,
        observable=could,
        latency_ns=round(latency_s * NS),
        latches=latches,
        codes=("SPN 3509 FMI 4",),
    )


def judged(symptom: Symptom, actions: Sequence[Action], until_s: float) -> SymptomVerdict:
    numbered = [replace(a, n=n) for n, a in enumerate(sorted(actions, key=lambda a: a.time_ns), start=1)]
    health = Health(
        start_ns=0,
        until_ns=round(until_s * NS),
        frames=0,
        error_frames=0,
        controllers=(),
        incidents=(),
        gaps=(),
    )
    return isolate_symptom(health, numbered, sweeper(), (), symptom)


def probabilities(found: SymptomVerdict) -> dict[str, float]:
    return {one.part: one.probability for one in found.verdict.suspects}


def test_a_window_s_density_is_the_mean_of_what_a_fault_shows_in_it() -> None:
    """Interval censoring: of r exp(-r x) over 0 … w the mean is (1 - exp(-r w)) / w."""
    for window_s in (0.5, 4.0, 60.0):
        x_s = (np.arange(400_000) + 0.5) * window_s / 400_000
        mean = [float(np.mean(rate * np.exp(-rate * x_s))) for rate in RATES_HZ]
        assert density_within(window_s) == pytest.approx(mean, rel=1e-6)
    assert density_within(0.0) is RATES_HZ


def test_a_window_that_closes_is_an_instant() -> None:
    reach = find_reach(sweeper(), [unplug("harness-A", 20.0), plug("harness-A", 29.0)])
    c = reach.controllers.index("hopper")
    hit = np.arange(len(reach.controllers)) == c
    nodes_s = np.array([20.0, 29.0])[:, None] - np.arange(-30, 51)[None, :] * 0.1
    arguments = (reach, np.array([1]), nodes_s, 30.0, hit, 0.0)
    at_once, soon = soften(*arguments), soften(*arguments, window_s=1e-7)
    p = reach.parts.index("harness-A")
    assert soon.rate[p] == pytest.approx(at_once.rate[p], rel=1e-4)
    assert soon.log_survival[p] == pytest.approx(at_once.log_survival[p], abs=1e-4)


def test_the_showing_of_a_symptom_fits_a_press_as_an_integral_over_its_window_says() -> None:
    """Numerically, moment by moment and reading by reading, without the closed form."""
    from busdoc.isolation.suspects.press_timing import lateness_weights

    reach = find_reach(sweeper(), [unplug("harness-A", 5.0), plug("harness-A", 30.0)])
    hit = np.array([name == "hopper" for name in reach.controllers])
    nodes_s = np.array([5.0, 30.0])[:, None] - np.arange(-30, 51)[None, :] * 0.1
    t, window_s, rate = 32.0, 4.0, float(RATES_HZ[14])
    soft = soften(reach, np.array([1]), nodes_s, t, hit, 0.0, window_s)
    moments = t - window_s + (np.arange(20_000) + 0.5) * window_s / 20_000
    shows = alive = 0.0
    for weight, done_s in zip(lateness_weights(), nodes_s[1], strict=True):
        after_s = moments - done_s
        shows += weight * float(np.mean(np.where(after_s > 0.0, rate * np.exp(-rate * after_s), 0.0)))
        alive += weight * float(np.exp(-rate * max(t - window_s - done_s, 0.0)))
    p = reach.parts.index("harness-A")
    assert soft.rate[p, 14] == pytest.approx(shows / alive, rel=1e-3)
    assert soft.log_survival[p, 14] == pytest.approx(np.log(alive), abs=1e-9)


def test_a_symptom_is_a_loss_of_its_own_controller_alone() -> None:
    symptom = code(showing(30.0, 40.0), until_s=100.0, blind=(60.0, 70.0))
    names = ("fan", "hopper", "lift")
    losses = losses_of_symptom(symptom, names, 0, 100 * NS, [[(10.0, 20.0)], [], []])
    assert losses.t_s.tolist() == [30.0]
    assert losses.hit.tolist() == [[False, True, False]]
    assert losses.up.tolist() == [[True, True, True]]
    assert losses.away[1] == (
        (29.0, 40.0),
        (60.0, 70.0),
    )  # from the last look without it; and where it could not be seen
    assert losses.away[0] == ((10.0, 20.0),)
    assert losses.showing is not None
    assert losses.showing.window_s.tolist() == [4.0]  # a second between looks, and three until it is believed
    assert losses.since_s[0, 1] == 0.0


def test_a_code_that_a_start_brings_is_waited_for_since_the_start() -> None:
    symptom = code(showing(71.0, None, 69.0), until_s=100.0, blind=(60.0, 71.0))
    losses = losses_of_symptom(symptom, ("hopper",), 0, 100 * NS, [[]])
    assert losses.since_s[0, 0] == 69.0
    assert losses.showing is not None
    assert losses.showing.window_s.tolist() == [2.0]


def test_of_two_many_showings_those_in_the_middle_count_as_unseen() -> None:
    spans = [showing(10.0 * n, 10.0 * n + 2.0) for n in range(1, 501)]
    losses = losses_of_symptom(code(*spans, until_s=6000.0), ("hopper",), 0, 6000 * NS, [[]])
    assert len(losses.t_s) == 120
    assert any(b - a > 3000.0 for a, b in losses.away[0])


ROUND = [unplug(branch, 40.0 + 3.0 * n) for n, branch in enumerate(BRANCHES)]


def test_the_branch_that_brings_the_code_back_is_named() -> None:
    """The story of the trade: all out, power broken, the code is gone; one by one in, with the bad one it is back."""
    back = [plug(branch, 80.0 + 15.0 * n) for n, branch in enumerate(reversed(BRANCHES))]  # harness-A last, at 125 s
    symptom = code(showing(10.0, 60.0), showing(127.0, None), until_s=140.0, blind=(60.0, 66.0))
    found = judged(symptom, [*ROUND, action_at(60.0), *back], 140.0)
    given = probabilities(found)
    assert given["harness-A"] + given["gate-angle"] > 0.9
    for branch in BRANCHES[1:]:
        assert given[branch] < 0.05
    ((_, first), (_, second)) = found.because
    assert first.action is None
    assert second.action is not None
    assert second.probability > 0.9
    assert not second.expected


def action_at(at_s: float) -> Action:
    return Action(n=9, time_ns=round(at_s * NS), uncertainty_ns=NS, kind=ActionKind.POWER_CYCLE, part=None)


def test_one_that_goes_as_a_branch_comes_out_speaks_for_the_branch() -> None:
    out = [unplug("harness-B", 40.0), plug("harness-B", 60.0), unplug("harness-C", 80.0)]
    gone_with_b = judged(code(showing(10.0, 41.0), showing(62.0, None), until_s=100.0), out, 100.0)
    given = probabilities(gone_with_b)
    assert given["harness-B"] + given[ON_IT["harness-B"]] > 0.9
    assert gone_with_b.symptom.p_latches < 0.2


def test_one_that_latches_tells_nothing_by_staying() -> None:
    """Common practice: still showing after unplugging says nothing; the next step is the power cycle."""
    latched = judged(code(showing(10.0, None), until_s=60.0, latches=True), [unplug("harness-B", 40.0)], 60.0)
    free = judged(code(showing(10.0, None), until_s=60.0, latches=False), [unplug("harness-B", 40.0)], 60.0)
    given, of_free = probabilities(latched), probabilities(free)
    assert given["harness-B"] == pytest.approx(given["harness-C"], rel=0.1)
    assert of_free["harness-B"] < 0.5 * of_free["harness-C"]
    steps = [step.action for step in latched.verdict.next_tests[0].steps]
    assert ActionKind.POWER_CYCLE in steps or ActionKind.POWER_ON in steps


def test_a_symptom_that_nobody_knows_the_controller_of_reaches_every_branch() -> None:
    back = [plug(branch, 80.0 + 15.0 * n) for n, branch in enumerate(reversed(BRANCHES))]
    symptom = code(showing(10.0, 60.0), showing(127.0, None), until_s=140.0, blind=(60.0, 66.0), controller=None)
    given = probabilities(judged(symptom, [*ROUND, action_at(60.0), *back], 140.0))
    assert given["harness-A"] + given["gate-angle"] > 0.8


def test_quiet_shorter_than_its_latency_clears_nothing() -> None:
    """A debounce of seconds (common practice): what was in for one second has not been watched."""
    twitch = [unplug("harness-B", 40.0), plug("harness-B", 60.0), unplug("harness-B", 61.5)]

    def quiet(latency_s: float) -> Float64Array:
        reach = find_reach(sweeper(), twitch)
        symptom = code(showing(10.0, 20.0), until_s=100.0, latency_s=latency_s)
        losses = losses_of_symptom(
            symptom, reach.controllers, 0, 100 * NS, gather_losses([], reach.controllers, 0).away
        )
        from busdoc.isolation.suspects.evidence import weigh_evidence

        evidence = weigh_evidence(sweeper(), losses, range(1), reach, twitch, 0, 100.0)
        return evidence.quiet_s[[reach.parts.index("harness-B")]]

    assert quiet(0.0)[0] == pytest.approx(19.5 + 1.5, abs=0.1)
    assert quiet(3.0)[0] == pytest.approx(19.5 - 3.0, abs=0.1)


@lru_cache(maxsize=1)
def sessions() -> tuple[JudgedCode, ...]:
    found = [judge_code(live_with_codes(showing, seed)) for showing in Showing for seed in SEEDS]
    return tuple(one for one in found if one is not None)


def test_in_every_bin_the_truth_is_what_was_said_of_codes() -> None:
    table = bin_table(sessions(), level=1.0 - 0.05 / 6)
    assert [row for row in table if not row.holds] == []
    assert table[-1].n >= 8


def test_the_innocent_are_not_accused_by_codes() -> None:
    assert sum(one.worst_innocent >= 0.8 for one in sessions()) <= 1


def test_a_code_singles_its_part_out_as_well_as_a_dropout_does() -> None:
    """The same faults on the same machines, seen by their code or by a controller that falls."""
    plain = (Showing.LATCHED, Showing.FREE, Showing.STATUS)
    by_code = [one.ranks_first for one in sessions() if one.session.showing in plain]
    by_loss = [judge_dropouts(live_with_codes(showing, seed, as_dropouts=True)) for showing in plain for seed in SEEDS]
    losses = [one.ranks_first for one in by_loss if one is not None]
    assert np.mean(by_code) >= np.mean(losses) - 0.05


@pytest.mark.parametrize("seed", [3011, 3014, 3028])
def test_two_that_were_never_told_apart_are_not_both_at_fault(seed: int) -> None:
    """A controller resets itself twenty times, and says why each time: one fault can be that quick, and two at once no
    quicker than certain. Twenty windows, each taken as the sum of two certainties, would make it a million to one."""
    found = judge_code(live_with_codes(Showing.RESETS, seed))
    assert found is not None
    assert found.found is not None
    assert len(found.found.symptom.spans) > 20
    assert found.worst_innocent < 0.6


@pytest.mark.parametrize("seed", [3016, 3018])
def test_what_counted_on_had_not_come_to_rest(seed: int) -> None:
    """A controller of which nobody moved a plug does not step, rest for a minute, and step again."""
    found = judge_code(live_with_codes(Showing.COUNTER, seed))
    assert found is not None
    assert found.on_top in found.guilty


def lamp(*looks: tuple[float, bool]) -> Symptom:
    """One showing at 40 s, seen gone at 60 s, with these looks; a look in thirty errs (common practice)."""
    found = tuple((round(t * NS), shows) for t, shows in looks)
    one = code(showing(40.0, 60.0), until_s=100.0, controller=None)
    return replace(one, kind=SymptomKind.SEEN, name="seen", codes=(), errs=0.03, looks=found)


def test_a_showing_that_more_looks_saw_is_less_likely_a_mistake() -> None:
    before, after = (30.0, False), (60.0, False)
    for n, times in ((1, (40.0,)), (2, (40.0, 50.0)), (3, (40.0, 45.0, 50.0))):
        looks = (before, *((t, True) for t in times), after)
        losses = losses_of_symptom(lamp(*looks), (THE_MACHINE,), 0, 100 * NS, [[]])
        assert losses.showing is not None
        assert losses.showing.mistaken == pytest.approx([0.03**n])
        assert losses.showing.goes_on == pytest.approx([0.03])
        assert losses.showing.looks_s.tolist() == [30.0, 60.0]
    actions = [unplug("harness-A", 20.0), plug("harness-A", 38.0)]
    once, twice = (
        probabilities(judged(lamp(before, *((t, True) for t in times), after), actions, 100.0))
        for times in ((40.0,), (40.0, 50.0))
    )
    assert twice["harness-A"] > once["harness-A"]
    assert twice[ELSEWHERE] < once[ELSEWHERE]


def test_where_no_bus_is_heard_nobody_s_running_on_clears_a_feed() -> None:
    """Who falls with a feed is heard to fall (common practice); of whom nobody hears it tells nothing."""
    symptom = lamp((30.0, False), (40.0, True), (50.0, True), (60.0, False))
    unheard = probabilities(judged(symptom, [], 100.0))
    assert unheard["fuse-3"] == pytest.approx(unheard["battery"])
    heard = Health(
        start_ns=0,
        until_ns=100 * NS,
        frames=1,
        error_frames=0,
        controllers=tuple(controller_heard(name) for name in sweeper().controllers),
        incidents=(),
        gaps=(),
    )
    found = isolate_symptom(heard, (), sweeper(), (), symptom)
    assert probabilities(found)["battery"] < 0.2 * unheard["battery"]


def controller_heard(name: str) -> ControllerHealth:
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=100 * NS,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=0,
        last_ns=100 * NS,
    )


def went_on_after(replaced_s: float, gone_s: float | None, latches: bool | None = None) -> float:
    """Give harness-B's probability: the code came 2 s after its plug, twice, and it was replaced while it showed."""
    until_s = 200.0
    acts = [unplug(branch, 20.0 + n) for n, branch in enumerate(BRANCHES)]
    acts += [plug("harness-B", 60.0), unplug("harness-B", 80.0), plug("harness-B", 110.0)]
    acts += [action(0, replaced_s, ActionKind.REPLACE, "harness-B")]
    spans = (showing(5.0, 12.0), showing(62.0, 69.0), showing(112.0, gone_s))
    return probabilities(judged(code(*spans, until_s=until_s, latches=latches), acts, until_s))["harness-B"]


def test_a_code_that_goes_on_without_the_part_is_not_that_parts() -> None:
    """A fault that is gone from the machine shows no longer than its controller takes to see it go."""
    went_with_it, went_on = went_on_after(116.0, 118.5), went_on_after(116.0, 131.0)
    assert went_with_it > 0.9
    assert went_on < 0.6
    # the longer it goes on the less; and one that stays until the power is cycled goes on whatever is done
    assert went_on <= went_on_after(116.0, 123.0) < went_with_it
    assert went_on_after(116.0, None, latches=True) > went_on_after(116.0, None, latches=False)


@pytest.mark.parametrize(("in_again_s", "may_be_it"), [(None, False), (71.0, True), (80.0, False)])
def test_a_part_that_is_in_again_at_once_may_make_it_show_on(in_again_s: float | None, may_be_it: bool) -> None:
    """It came 2 s after the plug and shows for 28 s, from 70 s on without the part, unless that is back in a second."""
    acts = [unplug(branch, 20.0 + n) for n, branch in enumerate(BRANCHES)]
    acts += [plug("harness-B", 60.0), unplug("harness-B", 70.0)]
    acts += [] if in_again_s is None else [plug("harness-B", in_again_s)]
    found = judged(code(showing(5.0, 12.0), showing(62.0, 90.0), until_s=92.0), acts, 92.0)
    assert (probabilities(found)["harness-B"] > 0.3) == may_be_it
