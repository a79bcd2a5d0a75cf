"""Actions that the bus shows: supply that goes and returns, sensors that fall silent, and presses that win."""

from dataclasses import replace

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.inferred import SignalChanges, plug_actions, power_actions, with_inferred
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine_map import machine_from_text

S = 1_000_000_000
SWEEPER = machine_from_text(
    """
part = [
  { name = "battery", kind = "feed" },
  { name = "fuse-3", kind = "feed", into = "battery" },
  { name = "fuse-4", kind = "feed", into = "battery" },
  { name = "harness-A", kind = "harness", into = "hopper:A" },
  { name = "gate-angle", kind = "sensor", into = "harness-A:1", signal = "Hopper.GateAngle" },
  { name = "lid-angle", kind = "sensor", into = "harness-A:2", signal = "Hopper.LidAngle" },
  { name = "fill-level", kind = "sensor", into = "hopper:B", signal = "Hopper.Level" },
]
controller = [
  { name = "hopper", into = "fuse-3" },
  { name = "lift", into = "fuse-3" },
  { name = "brush", into = "fuse-4" },
]
""",
    "machine.toml",
)


def loss(name: str, last_s: float, back_s: float | None, ran_on: RanOn = RanOn.RESTARTED) -> Loss:
    return Loss(
        controller=name,
        last_seen_ns=int(last_s * S),
        onset_ns=int((last_s + 0.1) * S),
        back_ns=None if back_s is None else int(back_s * S),
        steady_ns=None,
        ran_on=ran_on,
        p_restarted=None,
    )


def incident(*losses: Loss) -> Incident:
    return Incident(
        kind=IncidentKind.DROPOUT,
        channel=0,
        controllers=tuple(one.controller for one in losses),
        last_seen_ns=min(one.last_seen_ns for one in losses),
        onset_ns=min(one.onset_ns for one in losses),
        back_ns=None,
        steady_ns=None,
        ran_on=RanOn.RESTARTED,
        p_restarted=None,
        losses=losses,
    )


def roll(*absent: tuple[str, float, float]) -> list[ControllerHealth]:
    return [
        ControllerHealth(
            name=name,
            channel=0,
            identity=Identity(),
            frames=1000,
            streams=(),
            state=ControllerState.STEADY,
            present_ns=0,
            lost_ns=0,
            dropouts=0,
            restarts=0,
            first_ns=0,
            last_ns=100 * S,
            absences=tuple((int(a * S), int(b * S)) for who, a, b in absent if who == name),
        )
        for name in SWEEPER.controllers
    ]


def press(kind: ActionKind, part: str | None, at_s: float) -> Action:
    return Action(n=1, time_ns=int(at_s * S), uncertainty_ns=S, kind=kind, part=part)


def told(actions: tuple[Action, ...]) -> list[tuple[str, str | None]]:
    return [(action.kind.value, action.part) for action in actions]


FEED_LOST = incident(loss("hopper", 20.0, 26.0), loss("lift", 20.05, 26.3))
FEED_ROLL = roll(("hopper", 20.0, 26.0), ("lift", 20.05, 26.3))


def test_all_controllers_of_a_feed_that_restart_are_its_supply() -> None:
    off, on = power_actions(SWEEPER, [FEED_LOST], FEED_ROLL)
    assert told((off, on)) == [("power-off", "fuse-3"), ("power-on", "fuse-3")]
    assert off.origin is Origin.BUS
    assert 20.05 * S <= off.time_ns <= 20.15 * S
    assert 20.15 * S < on.time_ns < 26.0 * S


def test_the_whole_machine_is_named_by_no_feed() -> None:
    lost = incident(loss("hopper", 20, 26), loss("lift", 20, 26), loss("brush", 20, 27))
    assert told(power_actions(SWEEPER, [lost], roll())) == [("power-off", None), ("power-on", None)]


def test_one_controller_alone_may_have_crashed() -> None:
    assert power_actions(SWEEPER, [incident(loss("brush", 20, 26))], roll()) == ()


def test_controllers_that_ran_on_had_their_supply() -> None:
    lost = incident(loss("hopper", 20, 26, RanOn.KEPT_RUNNING), loss("lift", 20, 26))
    assert power_actions(SWEEPER, [lost], roll()) == ()


def test_a_dip_shorter_than_a_hand_is_no_action() -> None:
    lost = incident(loss("hopper", 20, 20.8), loss("lift", 20, 20.9))
    assert power_actions(SWEEPER, [lost], roll()) == ()


def test_a_mixed_group_has_no_common_feed() -> None:
    lost = incident(loss("hopper", 20, 26), loss("brush", 20, 26))
    assert power_actions(SWEEPER, [lost], roll()) == ()


def test_controllers_that_are_only_late_kept_their_supply() -> None:
    late = replace(FEED_LOST, kind=IncidentKind.LATE)
    assert power_actions(SWEEPER, [late], FEED_ROLL) == ()


def test_presses_nearby_are_enough() -> None:
    journal = [press(ActionKind.POWER_OFF, "fuse-3", 21), press(ActionKind.POWER_ON, "fuse-3", 27)]
    assert power_actions(SWEEPER, [FEED_LOST], FEED_ROLL, journal) == ()


def test_a_cycle_of_the_whole_machine_nearby_is_enough() -> None:
    assert power_actions(SWEEPER, [FEED_LOST], FEED_ROLL, [press(ActionKind.POWER_CYCLE, None, 22)]) == ()


def test_a_forgotten_switching_on_is_filled_in() -> None:
    lost = incident(loss("hopper", 20, 60), loss("lift", 20, 60))
    journal = [press(ActionKind.POWER_OFF, "fuse-3", 20)]
    assert told(power_actions(SWEEPER, [lost], roll(), journal)) == [("power-on", "fuse-3")]


def test_a_press_on_another_branch_does_not_explain_it() -> None:
    journal = [press(ActionKind.UNPLUG, "fuse-4", 20)]
    assert len(power_actions(SWEEPER, [FEED_LOST], FEED_ROLL, journal)) == 2


def changes(signal: str, *turns: tuple[float, bool]) -> SignalChanges:
    return SignalChanges(
        signal=signal,
        t_ns=np.array([int(t * S) for t, _ in turns], np.int64),
        available=np.array([on for _, on in turns], np.bool_),
    )


def test_a_signal_that_turns_not_available_is_its_sensor_unplugged() -> None:
    found = plug_actions(SWEEPER, [changes("Hopper.Level", (30, False), (40, True))])
    assert told(found) == [("unplug", "fill-level"), ("plug", "fill-level")]
    assert found[0].origin is Origin.SIGNAL
    assert [action.time_ns for action in found] == [30 * S, 40 * S]


def test_all_signals_of_a_harness_together_are_the_harness() -> None:
    found = plug_actions(SWEEPER, [changes("Hopper.GateAngle", (30, False)), changes("Hopper.LidAngle", (30.2, False))])
    assert told(found) == [("unplug", "harness-A")]


def test_a_flicker_is_no_hand() -> None:
    assert plug_actions(SWEEPER, [changes("Hopper.Level", (30, False), (30.3, True))]) == ()


def test_not_yet_available_while_starting_up_is_no_action() -> None:
    turned = [changes("Hopper.Level", (26.1, False), (29, True))]
    assert plug_actions(SWEEPER, turned, roll(("hopper", 20, 26))) == ()


def test_a_press_on_the_branch_nearby_wins() -> None:
    turned = [changes("Hopper.GateAngle", (30, False))]
    assert plug_actions(SWEEPER, turned, journal=[press(ActionKind.UNPLUG, "harness-A", 31)]) == ()


def test_what_the_journal_has_out_already_is_not_unplugged_again() -> None:
    turned = [changes("Hopper.GateAngle", (60, False))]
    assert plug_actions(SWEEPER, turned, journal=[press(ActionKind.UNPLUG, "harness-A", 30)]) == ()


def test_signals_that_no_part_declares_are_not_looked_at() -> None:
    assert plug_actions(SWEEPER, [changes("Engine.Speed", (30, False))]) == ()


def test_journal_and_inferred_actions_are_numbered_in_one_order() -> None:
    journal = [press(ActionKind.UNPLUG, "harness-A", 50)]
    both = with_inferred(journal, power_actions(SWEEPER, [FEED_LOST], FEED_ROLL, journal))
    assert [(action.n, action.origin) for action in both] == [(1, Origin.BUS), (2, Origin.BUS), (3, Origin.JOURNAL)]
