"""Signs of an unplugged part, learnt from the first time that somebody pressed, and seen again without a press."""

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.inferred import SignalChanges
from busdoc.actions.learnt_signs import learnt_plug_actions
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.machine.machine import Machine

S = 10**9


def press(n: int, at_s: float, kind: ActionKind, part: str) -> Action:
    return Action(n=n, time_ns=round(at_s * S), uncertainty_ns=S, kind=kind, part=part)


def signal(name: str, *turns: tuple[float, bool]) -> SignalChanges:
    """Make a signal that can be read from 0 on and turns as told."""
    times = [0, *(round(at_s * S) for at_s, _ in turns)]
    return SignalChanges(
        signal=name, t_ns=np.array(times, np.int64), available=np.array([True, *(on for _, on in turns)], np.bool_)
    )


def open_circuit(*spans_s: tuple[float, float]) -> FaultCode:
    return FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code="SPN 520321 FMI 5",
        text="current below normal, or open circuit",
        occurrences=len(spans_s),
        first_ns=round(spans_s[0][0] * S),
        last_ns=round(spans_s[-1][1] * S),
        active=False,
        active_spans=tuple((round(a * S), round(b * S)) for a, b in spans_s),
        points_at=(),
    )


TAUGHT = (press(1, 101, ActionKind.UNPLUG, "A"), press(2, 121, ActionKind.PLUG, "A"))


def told(found: tuple[Action, ...]) -> list[tuple[str, str | None, int]]:
    return [(str(action.kind), action.part, round(action.time_ns / S)) for action in found]


def test_the_same_signal_gone_again_is_the_same_part_unplugged() -> None:
    angle = signal("Hopper.Angle", (100, False), (120, True), (200, False), (230, True))
    found = learnt_plug_actions(Machine(), [angle], (), (), TAUGHT)
    assert told(found) == [("unplug", "A", 200), ("plug", "A", 230)]
    assert {action.origin for action in found} == {Origin.SIGNAL}


def test_a_harness_is_out_only_when_all_that_went_with_it_is() -> None:
    angle = signal("Hopper.Angle", (100, False), (120, True), (200, False), (230, True), (300, False), (320, True))
    closed = signal("Hopper.Closed", (100.2, False), (120.1, True), (300.1, False), (320.2, True))
    found = learnt_plug_actions(Machine(), [angle, closed], (), (), TAUGHT)
    assert told(found) == [("unplug", "A", 300), ("plug", "A", 320)]


def test_an_open_circuit_code_is_a_sign_as_well() -> None:
    found = learnt_plug_actions(Machine(), (), [open_circuit((102, 122), (200, 230))], (), TAUGHT)
    assert told(found) == [("unplug", "A", 200), ("plug", "A", 230)]


def test_without_a_press_nothing_is_learnt() -> None:
    angle = signal("Hopper.Angle", (100, False), (120, True), (200, False), (230, True))
    assert learnt_plug_actions(Machine(), [angle], [open_circuit((102, 122), (200, 230))], (), ()) == ()


def test_what_was_pressed_is_not_inferred_too() -> None:
    angle = signal("Hopper.Angle", (100, False), (120, True), (200, False), (230, True))
    again = (press(3, 201, ActionKind.UNPLUG, "A"), press(4, 231, ActionKind.PLUG, "A"))
    assert learnt_plug_actions(Machine(), [angle], (), (), (*TAUGHT, *again)) == ()


def test_a_signal_that_goes_with_two_parts_tells_neither() -> None:
    supply = signal("Hopper.Supply", (100, False), (120, True), (150, False), (170, True), (200, False), (230, True))
    other = (press(3, 151, ActionKind.UNPLUG, "B"), press(4, 171, ActionKind.PLUG, "B"))
    assert learnt_plug_actions(Machine(), [supply], (), (), (*TAUGHT, *other)) == ()
