"""Power as it is pressed and as the traffic shows it, on a practice machine under the true screen."""

import pytest

from busdoc.actions.action import ActionKind, Origin
from busdoc.health.controller import ControllerState
from busdoc.live.view import HappeningKind
from busdoc.simulation.fault import Fault
from busdoc.times import SECOND_NS
from tests.truth.practice import Bench, rear_of_sweeper

LATCHED = Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=6.0)


def fallen(**how: object) -> Bench:
    """A machine whose hopper has fallen, before the first step is done."""
    bench = Bench(rear_of_sweeper(LATCHED), tick_s=0.25, **how)  # type: ignore[arg-type]
    assert bench.run(12.0, lambda view: view.next is not None)
    bench.run(1.5)
    return bench


def kinds(bench: Bench) -> list[str]:
    return [f"{one.kind} {one.part or ''}".strip() for one in bench.view.actions]


def test_a_power_cycle_pressed_when_it_is_done_is_logged_with_its_true_times_and_condemns_nobody() -> None:
    bench = fallen(presses_act=False)
    bench.world.act(ActionKind.POWER_OFF)
    off_s = bench.t_s
    bench.run(11.0)
    bench.world.act(ActionKind.POWER_ON)
    on_s = bench.t_s
    bench.run(8.0)
    bench.key("c", "enter")  # only now
    bench.run(3.0)
    off, on = (one for one in bench.view.actions)
    assert (off.kind, on.kind) == (ActionKind.POWER_OFF, ActionKind.POWER_ON)
    start_ns = bench.view.start_ns
    assert abs((off.time_ns - start_ns) / SECOND_NS - off_s) < 1.5
    assert abs((on.time_ns - start_ns) / SECOND_NS - on_s) < 3.0
    assert all(one.probability < 0.5 for one in bench.view.suspects if one.part in ("battery", "front-trunk"))
    assert "battery" not in bench.view.headline


def test_the_traffic_advances_the_power_steps_and_the_screen_counts_the_hold_down() -> None:
    bench = fallen(presses_act=False)
    assert bench.view.next is not None
    assert bench.view.next.steps_text[0] == "Switch the machine off"
    bench.world.act(ActionKind.POWER_OFF)
    bench.run(3.0)
    assert kinds(bench) == ["power-off"]
    assert bench.view.actions[0].origin is Origin.BUS
    assert "as the traffic shows" in bench.screen.message.text


@pytest.mark.parametrize("key", ["o", "c"])
def test_a_press_for_what_the_traffic_has_just_shown_is_that_entry(key: str) -> None:
    """Off is in the list once, whichever key is pressed for it; of a cycle the rest is asked for and logged."""
    bench = fallen(presses_act=False)
    bench.world.act(ActionKind.POWER_OFF)
    bench.run(3.0)
    assert kinds(bench) == ["power-off"]
    assert "logged" in bench.key(key, "enter")
    assert bench.session.act(ActionKind.POWER_CYCLE) == bench.view.actions[0]  # as `power cycle` of a plain session
    assert kinds(bench) == ["power-off"]
    bench.world.act(ActionKind.POWER_ON)
    bench.run(12.0)
    assert kinds(bench) == ["power-off", "power-on"]
    assert bench.session.act(ActionKind.POWER_CYCLE) == bench.view.actions[-1]
    assert kinds(bench) == ["power-off", "power-on"]


def test_one_key_does_not_log_that_the_machine_is_off_and_a_second_one_does() -> None:
    bench = fallen(presses_act=False)
    assert "not logged yet" in bench.key("space")
    bench.run(1.5)
    assert kinds(bench) == []
    assert "logged" in bench.key("y")
    assert kinds(bench) == ["power-off"]


def test_a_machine_that_lives_though_it_was_logged_off_is_an_alarm_and_the_press_is_struck_out() -> None:
    bench = fallen(presses_act=False)
    bench.key("o", "enter")
    bench.run(2.0)
    assert kinds(bench) == []  # 2 s at most
    assert "IS ON" in bench.view.alarm
    assert [one.kind for one in bench.heard if one.kind is HappeningKind.ALARM] == [HappeningKind.ALARM]
    assert not any(row.expected_off for row in bench.view.controllers)


def test_a_machine_that_is_switched_on_without_a_press_corrects_the_screen_and_rings() -> None:
    bench = fallen(presses_act=False)
    bench.world.act(ActionKind.POWER_OFF)
    bench.run(3.0)
    assert bench.view.next is not None  # an unplugging: hands are in
    assert bench.view.next.test.steps[bench.view.next.step].action is ActionKind.UNPLUG
    bench.world.turn_key(on=True)
    bench.run(4.0)
    assert kinds(bench)[-1] == "power-on"
    assert any(one.kind is HappeningKind.ALARM for one in bench.heard)


def test_own_lead_out_accuses_nobody_and_asks_which() -> None:
    bench = Bench(rear_of_sweeper(), tick_s=0.25)
    bench.run(8.0)
    bench.world.take_lead(out=True)
    bench.run(4.0)
    assert bench.view.suspects == ()
    assert bench.view.next is None
    assert bench.view.silence is not None
    assert bench.view.silence.asked
    bench.key("1")
    bench.world.take_lead(out=False)
    bench.run(4.0)
    assert bench.view.silence is None
    assert bench.view.suspects == ()
    assert all(not row.expected_off for row in bench.view.controllers)


def test_a_silence_of_everybody_counts_once_somebody_says_that_the_own_lead_was_in() -> None:
    bench = Bench(rear_of_sweeper(), tick_s=0.25)
    bench.run(8.0)
    bench.world.take_lead(out=True)  # as a trunk that opens looks
    bench.run(4.0)
    bench.key("3")
    bench.world.take_lead(out=False)
    bench.run(4.0)
    assert bench.view.suspects[0].part == "front-trunk"


def test_the_key_turned_off_is_one_key_to_say_and_then_the_machine_is_off() -> None:
    bench = Bench(rear_of_sweeper(), tick_s=0.25)
    bench.run(8.0)
    bench.world.turn_key(on=False)
    bench.run(4.0)
    bench.key("2")
    bench.run(1.0)
    assert kinds(bench) == ["power-off"]
    assert all(row.expected_off for row in bench.view.controllers)
    assert bench.view.suspects == ()


def test_two_presses_within_a_second_and_one_on_a_step_that_has_just_come_up_do_nothing() -> None:
    bench = fallen()
    bench.key("space")
    bench.run(0.25)
    assert "twice" in bench.key("space")
    bench.run(2.5)  # the practice machine's traffic shows it off
    assert kinds(bench) == ["power-off"]
    bench.run(1.5)
    bench.key("space")
    bench.run(1.25)
    pulled = len(kinds(bench))
    bench.screen._console.step_press._since_s = bench.t_s - 0.5
    assert "Nothing logged" in bench.key("space")
    assert len(kinds(bench)) == pulled


def test_the_power_has_to_stay_off_for_ten_seconds() -> None:
    bench = Bench(rear_of_sweeper(LATCHED), tick_s=0.25)
    bench.run(9.0)
    bench.key("c", "enter")
    bench.run(1.5)
    bench.key("space")
    bench.run(3.0)
    assert kinds(bench) == ["power-off"]
    assert "s more, then switch on" in bench.key("space")
    bench.run(9.0)
    bench.key("space")
    bench.run(5.0)
    assert kinds(bench) == ["power-off", "power-on"]


def test_the_traffic_still_shows_the_power_off_of_a_machine_that_was_switched_again_and_again() -> None:
    """Each controller restarts with each cycle, the last one but seconds ago; that it is silent now is seen too."""
    bench = fallen(presses_act=False)
    for n in range(1, 5):
        assert bench.run(
            30.0, lambda view: view.next is not None and view.next.steps_text[0] == "Switch the machine off"
        )
        bench.run(0.5)
        bench.world.act(ActionKind.POWER_OFF)
        assert bench.run(3.0, lambda _: kinds(bench)[-1:] == ["power-off"]), n
        bench.run(1.0)
        bench.world.act(ActionKind.POWER_ON)
        assert bench.run(5.0, lambda _: kinds(bench)[-1:] == ["power-on"]), n
        sound = [row for row in bench.view.controllers if row.name != "hopper"]
        assert not any(row.state is ControllerState.RESTARTING for row in sound)  # it was the switch, each time


def test_all_who_fell_with_one_power_off_read_as_expected_also_who_was_told_before_it_was_known() -> None:
    bench = fallen(presses_act=False)
    bench.world.act(ActionKind.POWER_OFF)
    bench.run(4.0)
    off_s = (bench.view.actions[-1].time_ns - bench.view.start_ns) / SECOND_NS
    told = [one for _, one in bench.screen.lately if one.kind is HappeningKind.LOST]
    fell = [one.text for one in told if (one.time_ns - bench.view.start_ns) / SECOND_NS > off_s - 1.0]
    assert sorted(fell) == ["engine dropped off the bus, as expected", "fan dropped off the bus, as expected"]
