"""Whom every part could trouble between one action and the next, by hand."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.plugged import opening_state
from busdoc.isolation.suspects.exposure import Reach, find_reach, with_controllers
from busdoc.machine.machine import Machine, Part, PartKind
from tests.truth.hand_records import action, plug, sweeper, unplug


def named(reach: Reach, rows: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> set[str]:
    return {part for part, one in zip(reach.parts, rows, strict=True) if one}


def test_a_branch_that_is_out_reaches_nobody_nor_does_what_hangs_on_it() -> None:
    """A mark between two moves changes nothing, whatever it names, and hides nothing that follows."""
    moves = [unplug(1, 10.0, "harness-A"), action(2, 20.0, ActionKind.MARK, "harness-B"), plug(3, 30.0, "harness-A")]
    reach = find_reach(sweeper(), moves)
    hopper = reach.controllers.index("hopper")
    branch = {"harness-A", "gate-angle"}
    everything = named(reach, reach.reaches[0, :, hopper])
    assert branch < everything
    assert [everything - named(reach, reach.reaches[m, :, hopper]) for m in range(4)] == [set(), branch, branch, set()]
    assert [named(reach, one) for one in reach.touched] == [branch, set(), branch]
    everybody = np.ones(len(reach.controllers), np.bool_)
    assert [named(reach, one) for one in reach.exposes(everybody)] == [set(), set(), branch]
    assert named(reach, reach.ever[:, hopper]) == everything
    assert named(reach, reach.moved[:, hopper]) == branch
    assert set(reach.changes.at(hopper).lost().action.tolist()) == {0}
    assert not reach.takes.any()
    assert not reach.odd.any()


def test_power_moves_no_plug_and_takes_away_whom_it_supplies() -> None:
    """Off and on again it exposes everything anew; whether there is power or not is not what a part's reach tells."""
    reach = find_reach(sweeper(), [action(1, 10.0, ActionKind.POWER_CYCLE, "fuse-3")])
    assert not reach.touched.any()
    assert np.array_equal(reach.reaches[0], reach.reaches[1])
    assert {reach.controllers[c] for c in np.flatnonzero(reach.takes[0])} == {"hopper", "fan", "lift"}
    assert {reach.controllers[c] for c in reach.exposing.controller.tolist()} == {"hopper", "fan", "lift"}


OUT = unplug(1, 10.0, "harness-A")


@pytest.mark.parametrize(
    ("before", "press", "odd"),
    [
        ((), (ActionKind.UNPLUG, None), False),
        ((OUT,), (ActionKind.UNPLUG, None), True),
        ((OUT,), (ActionKind.PLUG, None), False),
        ((OUT,), (ActionKind.PLUG, "hopper:A"), False),
        ((OUT, plug(2, 20.0, "harness-A")), (ActionKind.PLUG, None), True),
        ((OUT, plug(2, 20.0, "harness-A")), (ActionKind.PLUG, "hopper:A"), True),
        ((OUT, plug(2, 20.0, "harness-A")), (ActionKind.PLUG, "hopper:B"), False),  # it was put elsewhere
        ((OUT,), (ActionKind.WIGGLE, None), False),
        ((OUT,), (ActionKind.REPLACE, None), False),
    ],
)
def test_a_press_is_odd_that_does_what_is_done_already(
    before: tuple[Action, ...], press: tuple[ActionKind, str | None], odd: bool
) -> None:
    kind, into = press
    reach = find_reach(sweeper(), [*before, action(9, 50.0, kind, "harness-A", into)])
    assert reach.odd.tolist() == [False] * len(before) + [odd]


def test_what_only_the_journal_names_is_a_part_as_well_if_it_was_moved() -> None:
    """It may hang on anybody; a switch that no map knows is no part, nor is what a note is about."""
    actions = [action(1, 10.0, ActionKind.MARK, "cab"), action(2, 15.0, ActionKind.POWER_CYCLE, "key")]
    actions += [unplug(3, 20.0, "blue plug"), plug(4, 30.0, "blue plug"), action(5, 40.0, ActionKind.WIGGLE, "relay")]
    reach = find_reach(sweeper(), actions)
    assert reach.parts[-2:] == ("blue plug", "relay")
    assert set(reach.parts[:-2]) == {*sweeper().controllers, *sweeper().parts}
    assert reach.reaches[0, -2:].all()
    assert not reach.reaches[3, -2].any()


def test_two_plugs_that_are_written_down_as_put_into_one_another_are_moved_together() -> None:
    """Which cannot be; the journal is taken as it is all the same, and read to its end."""
    actions = [
        action(1, 10.0, ActionKind.PLUG, "harness-A", "harness-B"),
        action(2, 20.0, ActionKind.PLUG, "harness-B", "harness-A"),
        unplug(3, 30.0, "harness-A"),
    ]
    reach = find_reach(sweeper(), actions)
    assert named(reach, reach.touched[2]) == {"harness-A", "harness-B", "gate-angle", "tilt-angle"}


def test_who_is_on_the_bus_is_a_controller_whatever_the_map_calls_it() -> None:
    parts = {name: Part(name=name, kind=PartKind.LEAD) for name in ("fan", "rear lead")}
    machine = with_controllers(Machine(parts=MappingProxyType(parts)), ["fan", "lift", "fan"])
    assert list(machine.controllers) == ["fan", "lift"]
    assert list(machine.parts) == ["rear lead"]
    assert with_controllers(machine, ["fan"]) is machine


KINDS = tuple(kind for kind in ActionKind if kind not in (ActionKind.SEEN, ActionKind.GONE, ActionKind.MARK))


@pytest.mark.parametrize("seed", range(8))
def test_only_those_near_a_plug_are_looked_at_and_nobody_else_was_to_be(seed: int) -> None:
    """Whoever an action cannot touch is passed over: asked one by one, everybody answers the same."""
    source = np.random.default_rng(seed)
    machine = sweeper()
    things, places = [*machine.parts, *machine.controllers, "a plug"], ["hopper:B", "fan:A", None]
    pressed = [
        action(n, 10.0 * n, KINDS[source.integers(len(KINDS))], str(source.choice(things))) for n in range(1, 25)
    ]
    pressed = [
        replace(one, into=str(source.choice(things)) if one.kind is ActionKind.SWAP else places[source.integers(3)])
        if one.kind in (ActionKind.SWAP, ActionKind.PLUG)
        else one
        for one in pressed
    ]
    reach, state = find_reach(machine, pressed), opening_state(machine, pressed)
    for m, one in enumerate(pressed):
        after = state.after(one)
        effect = state.effect(one)
        between = state._amid(one)
        heard = [{name for name in machine.controllers if at.heard(name)} for at in (state, between, after)]
        assert set(effect.taken) == heard[0] - heard[1]
        assert set(effect.given_back) == heard[2] - heard[1]
        for name in machine.controllers:
            assert effect.newly_exposed.get(name, frozenset()) == after.exposed(name) - between.exposed(name)
            assert effect.removed.get(name, frozenset()) == state.exposed(name) - between.exposed(name)
            on = replace(after, main_on=True, switched_off=frozenset())
            there = {part for part in on.exposed(name) if not on.specimens.get(part)}
            assert named(reach, reach.reaches[m + 1, :, reach.controllers.index(name)]) == there, one
        state = after
