"""Which action did it, and when none did."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.actions.action import Action, ActionKind
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import _latest_exposing, _was_there, attribute
from busdoc.isolation.suspects.rates import RATES_HZ
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine import Machine
from tests.truth.hand_records import NS, action, dropout, health, plug, sweeper, unplug
from tests.truth.isolation_sessions import SessionKind, live_through

ALL = ("engine", "display", "broom", "hopper", "fan", "lift")


def test_a_power_cycle_explains_that_everybody_fell() -> None:
    seen = health(100.0, dropout(49.6, 55.0, *ALL, everyone=True))
    (because,) = attribute(seen, [action(1, 50.0, ActionKind.POWER_CYCLE)], sweeper())
    assert because.action == 1
    assert because.expected
    assert because.probability > 0.95


def test_a_press_that_comes_after_the_loss_that_it_caused_has_a_negative_lag() -> None:
    seen = health(100.0, dropout(48.8, 55.0, *ALL, everyone=True))
    (because,) = attribute(seen, [action(1, 50.0, ActionKind.POWER_CYCLE)], sweeper())
    assert because.action == 1
    assert because.lag_ns is not None
    assert because.lag_ns == round(48.8 * NS) + NS // 20 - 50 * NS


def test_a_late_press_explains_that_all_fell_also_where_one_restarts_by_itself_again_and_again() -> None:
    """That the lift restarts once a minute makes no loss of the whole bus likelier, two seconds before the press."""
    restarts = [dropout(t, t + 3.0, "lift") for t in (20.0, 80.0, 140.0, 200.0, 260.0, 320.0)]
    seen = health(400.0, *restarts, dropout(347.6, 354.0, *ALL, everyone=True))
    *_, because = attribute(seen, [action(1, 350.0, ActionKind.POWER_CYCLE)], sweeper())
    assert (because.action, because.expected) == (1, True)


def test_one_that_was_off_the_bus_from_the_start_was_not_spared_when_the_power_went() -> None:
    """Dropping the others cannot be blamed on a feed because one that was dead anyway did not fall."""
    dead = ControllerHealth(
        name="hopper",
        channel=0,
        identity=Identity(),
        frames=0,
        streams=(),
        state=ControllerState.NEVER_SEEN,
        present_ns=0,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=None,
        last_ns=None,
    )
    others = tuple(name for name in ALL if name != "hopper")
    seen = health(100.0, dropout(47.7, 55.0, *others))
    pressed = [action(1, 50.0, ActionKind.POWER_CYCLE)]
    with_it = attribute(replace(seen, controllers=(dead,)), pressed, sweeper())[0]
    as_if_spared = attribute(seen, pressed, sweeper())[0]
    assert with_it.action == 1
    assert dict(with_it.weights)[1] > dict(as_if_spared.weights)[1]


def test_several_that_fall_as_the_recording_ends_wait_for_the_press_that_would_explain_it() -> None:
    """The power is switched off and the recording ends before anybody pressed for it: no fuse is at fault for that."""

    def blamed(until_s: float, actions: Sequence[Action]) -> float:
        seen = health(until_s, dropout(20.0, 26.0, "hopper"), dropout(100.0, None, "hopper", "fan", "lift"))
        verdict = isolate(seen, actions, sweeper(), attribute(seen, actions, sweeper()))
        return sum(s.probability for s in verdict.suspects if s.part in ("fuse-3", "rear-trunk"))

    worked = [unplug(1, 40.0, "harness-A"), plug(2, 60.0, "harness-A")]
    assert blamed(101.0, worked) < 0.15
    assert blamed(104.0, worked) > 0.8  # nobody pressed anything in all that time
    assert blamed(101.0, []) > 0.8  # nobody writes anything down: no press is to come


def test_pulling_a_fuse_explains_only_what_it_supplies() -> None:
    pulled = [unplug(1, 50.0, "fuse-2")]
    own = attribute(health(100.0, dropout(49.8, None, "broom")), pulled, sweeper())[0]
    other = attribute(health(100.0, dropout(49.8, None, "engine")), pulled, sweeper())[0]
    assert (own.action, own.expected) == (1, True)
    assert other.action is None


def test_pulling_a_controllers_own_connector_is_expected_and_pulling_a_sensor_is_no_cause() -> None:
    seen = health(100.0, dropout(49.8, None, "hopper"))
    assert attribute(seen, [unplug(1, 50.0, "hopper")], sweeper())[0].expected
    assert attribute(seen, [unplug(1, 50.0, "fill-level")], sweeper())[0].action is None


def test_a_branch_that_is_restored_and_shows_at_once_each_time_did_it() -> None:
    actions = [unplug(1, 40.0, "harness-A"), plug(2, 60.4, "harness-A"), unplug(3, 64.0, "harness-A")]
    actions += [plug(4, 100.4, "harness-A")]
    seen = health(130.0, dropout(20.0, 26.0, "hopper"), dropout(61.0, 67.0, "hopper"), dropout(100.9, None, "hopper"))
    _, first, second = attribute(seen, actions, sweeper())
    assert (first.action, second.action) == (2, 4)
    assert not first.expected
    assert second.probability > 0.8


def test_a_fault_that_shows_long_after_it_was_exposed_answers_to_no_action() -> None:
    actions = [unplug(1, 40.0, "harness-A"), plug(2, 60.0, "harness-A")]
    seen = health(400.0, dropout(20.0, 26.0, "hopper"), dropout(200.0, 206.0, "hopper"), dropout(330.0, None, "hopper"))
    assert [because.action for because in attribute(seen, actions, sweeper())] == [None, None, None]


def test_a_decoy_near_a_spontaneous_restart_of_another_controller_does_not_win() -> None:
    actions = [unplug(1, 100.0, "harness-B"), plug(2, 110.0, "harness-B")]
    incidents = [dropout(t, t + 3.0, name) for t, name in ((30.0, "engine"), (110.4, "broom"), (260.0, "lift"))]
    (_, near, _) = attribute(health(300.0, *incidents), actions, sweeper())
    assert near.action is None
    assert near.spontaneous > 0.9


def test_the_probabilities_of_all_actions_and_none_are_one() -> None:
    session = live_through(SessionKind.HARD_BRANCH, 3)
    for because in attribute(session.health, session.actions, session.machine):
        assert because.spontaneous + sum(p for _, p in because.weights) == pytest.approx(1.0, abs=0.02)


def test_without_a_map_power_still_explains_and_a_named_branch_still_counts() -> None:
    actions = [unplug(1, 40.0, "blue plug"), plug(2, 60.3, "blue plug"), unplug(3, 64.0, "blue plug")]
    actions += [plug(4, 90.3, "blue plug"), unplug(5, 95.0, "blue plug"), action(6, 110.0, ActionKind.POWER_CYCLE)]
    incidents = [dropout(3.0, 42.0, "0x31"), dropout(61.0, 70.0, "0x31"), dropout(91.0, 99.0, "0x31")]
    incidents += [dropout(109.7, 115.0, "0x31", "0x32", everyone=True)]
    found = attribute(health(140.0, *incidents), actions, Machine())
    assert [because.action for because in found] == [None, 2, 4, 6]
    assert found[3].expected


def test_a_journal_whose_clock_is_three_seconds_ahead_still_explains_its_power_cycles() -> None:
    incidents = [dropout(t, t + 6.0, *ALL, everyone=True) for t in (40.0, 80.0, 120.0)]
    actions = [action(n, t + 3.4, ActionKind.POWER_CYCLE) for n, t in enumerate((40.0, 80.0, 120.0), start=1)]
    found = attribute(health(160.0, *incidents), actions, sweeper())
    assert [because.action for because in found] == [1, 2, 3]


@settings(max_examples=25)
@given(shift_s=st.integers(-1000, 1_000_000), seed=st.integers(0, 30))
def test_shifting_the_clock_changes_no_attribution(shift_s: int, seed: int) -> None:
    session = live_through(SessionKind.TWO_FAULTS, seed)
    before = attribute(session.health, session.actions, session.machine)
    shift = shift_s * NS
    moved = replace(
        session.health,
        start_ns=session.health.start_ns + shift,
        until_ns=session.health.until_ns + shift,
        incidents=tuple(
            replace(
                i,
                last_seen_ns=i.last_seen_ns + shift,
                onset_ns=i.onset_ns + shift,
                back_ns=None if i.back_ns is None else i.back_ns + shift,
                losses=tuple(
                    replace(
                        loss,
                        last_seen_ns=loss.last_seen_ns + shift,
                        onset_ns=loss.onset_ns + shift,
                        back_ns=None if loss.back_ns is None else loss.back_ns + shift,
                    )
                    for loss in i.losses
                ),
            )
            for i in session.health.incidents
        ),
    )
    actions = [replace(a, time_ns=a.time_ns + shift) for a in session.actions]
    after = attribute(moved, actions, session.machine)
    assert [b.action for b in before] == [b.action for b in after]
    assert np.allclose([b.spontaneous for b in before], [b.spontaneous for b in after])


def test_causes_and_no_causes_are_told_in_simulated_sessions() -> None:
    right: dict[str, list[bool]] = {"caused": [], "none": []}
    for kind in SessionKind:
        for seed in range(30_000, 30_008):
            session = live_through(kind, seed)
            found = attribute(session.health, session.actions, session.machine)
            for because, answer in zip(found, session.answers, strict=True):
                right["none" if answer is None else "caused"].append(because.action == answer)
    assert np.mean(right["caused"]) >= 0.93
    assert np.mean(right["none"]) >= 0.95


def test_without_a_map_other_controllers_running_on_does_not_speak_for_a_plug() -> None:
    pulled = [unplug(k, 40.0 + 3.0 * k, f"plug {k}") for k in range(1, 5)]
    actions = [*pulled, action(5, 60.4, ActionKind.POWER_CYCLE), plug(6, 80.4, "plug 2"), plug(7, 95.4, "plug 3")]
    incidents = [dropout(20.0, 68.0, "hopper"), dropout(60.1, 67.0, *OTHERS), dropout(95.9, None, "hopper")]
    found = attribute(health(110.0, *incidents), actions, Machine())
    assert [because.action for because in found] == [None, 5, 7]


OTHERS = ("engine", "display", "broom", "fan", "lift")


def test_where_nothing_was_done_every_incident_came_by_itself() -> None:
    (because,) = attribute(health(100.0, dropout(49.6, 55.0, "hopper")), [], sweeper())
    assert (because.incident, because.action, because.probability, because.spontaneous) == (0, None, 0.0, 1.0)
    assert (because.lag_ns, because.expected, because.weights) == (None, False, ())
    assert attribute(health(100.0), [unplug(1, 40.0, "harness-A")], sweeper()) == ()


def test_when_the_capture_began_does_not_matter() -> None:
    """A day later by the calendar all is the same."""
    day_ns = 86_400 * NS
    actions = [unplug(1, 40.0, "harness-A"), plug(2, 60.4, "harness-A"), action(3, 80.0, ActionKind.POWER_CYCLE)]
    incidents = [dropout(20.0, 26.0, "hopper"), dropout(61.0, 67.0, "hopper")]
    incidents += [dropout(79.6, 85.0, *ALL, everyone=True)]
    seen = health(90.0, *incidents)

    def later(incident: Incident) -> Incident:
        losses = tuple(
            replace(
                one,
                last_seen_ns=one.last_seen_ns + day_ns,
                onset_ns=one.onset_ns + day_ns,
                back_ns=None if one.back_ns is None else one.back_ns + day_ns,
            )
            for one in incident.losses
        )
        return replace(
            incident, last_seen_ns=incident.last_seen_ns + day_ns, onset_ns=incident.onset_ns + day_ns, losses=losses
        )

    moved = replace(health(90.0, *map(later, incidents)), start_ns=day_ns, until_ns=day_ns + 90 * NS)
    moved_actions = [replace(a, time_ns=a.time_ns + day_ns) for a in actions]
    for one, other in zip(attribute(seen, actions, sweeper()), attribute(moved, moved_actions, sweeper()), strict=True):
        assert (one.action, one.lag_ns, one.expected) == (other.action, other.lag_ns, other.expected)
        assert one.probability == pytest.approx(other.probability, abs=1e-6)
        assert one.spontaneous == pytest.approx(other.spontaneous, abs=1e-6)
        assert one.spontaneous + sum(p for _, p in one.weights) == pytest.approx(1.0, abs=0.005)
        assert [n for n, _ in one.weights] == [n for n, _ in sorted(one.weights, key=lambda w: -w[1])]


def test_the_last_plug_before_the_dropout_exposed_the_part_unless_it_was_out_again() -> None:
    """In for sure, out before it at 80 %, in again at 30 %: by the third press 0.3, by the first 0.7 x 0.2.

    Given that it showed, that is 0.3 and 0.14 of 0.44. The other part was never moved.
    """
    exposes = np.array([[True, False], [False, False], [True, False]])
    removes = np.array([[False, False], [True, False], [False, False]])
    share = _latest_exposing(exposes, removes, np.array([1.0, 0.8, 0.3]))
    assert share[:, 0] == pytest.approx([0.14 / 0.44, 0.0, 0.3 / 0.44])
    assert not share[:, 1].any()
    # One that hung on it from the start may not have been moved yet.
    late = _latest_exposing(exposes[2:], removes[2:], np.array([0.3]))
    assert late[0, 0] == pytest.approx(0.3)


def test_a_fault_that_shows_at_once_when_exposed_was_there_and_one_that_waits_may_have_begun_since() -> None:
    """Half for each: e^-rt against (1 - e^-rt) / rT, with t since it was exposed and T since the record began."""
    t, until_s = 8.0, 50.0
    there = 0.5 * np.exp(-RATES_HZ * t)
    begun = (1.0 - np.exp(-RATES_HZ * t)) / (RATES_HZ * until_s)
    slow = RATES_HZ < 10.0
    assert _was_there(t, until_s)[slow] == pytest.approx((there / (there + begun))[slow])
    assert pytest.approx(1.0) == _was_there(0.0, until_s)
    early = _was_there(0.5, 1.5)[slow]
    stayed, since = 0.5 * np.exp(-RATES_HZ * 0.5), -np.expm1(-RATES_HZ * 0.5) / RATES_HZ
    assert early == pytest.approx((stayed / (stayed + since / 1.5))[slow])
    assert _was_there(0.5, 0.7)[slow] == pytest.approx((stayed / (stayed + since))[slow])  # a second at least
