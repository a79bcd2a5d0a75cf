"""The physics of faults, plugs and power at the level of events."""

import math
from collections import defaultdict
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.actions.action import ActionKind
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind
from busdoc.simulation.technician import Habits, Technician
from busdoc.simulation.world import Fault, World, WorldEvent
from tests.truth.by_chance.random_machine import random_machine


def small_machine() -> Machine:
    """Two controllers on one fuse and one on another; `hopper` has two branches; `fan` sits beyond the rear trunk."""
    parts = [
        Part(name="battery", kind=PartKind.FEED),
        Part(name="fuse-1", kind=PartKind.FEED, owner="battery"),
        Part(name="fuse-2", kind=PartKind.FEED, owner="battery"),
        Part(name="front", kind=PartKind.SEGMENT),
        Part(name="rear", kind=PartKind.SEGMENT, owner="front"),
        Part(name="harness-A", kind=PartKind.HARNESS, owner="hopper", socket="A"),
        Part(name="harness-B", kind=PartKind.HARNESS, owner="hopper", socket="B"),
        Part(name="gate-angle", kind=PartKind.SENSOR, owner="harness-A"),
        Part(name="fan-speed", kind=PartKind.SENSOR, owner="fan"),
    ]
    trees = [("hopper", "fuse-1", "rear"), ("fan", "fuse-1", "rear"), ("engine", "fuse-2", "front")]
    return Machine(
        parts=MappingProxyType({part.name: part for part in parts}),
        controllers=MappingProxyType(
            {n: Controller(spec=ControllerSpec(name=n), feed=feed, segment=on) for n, feed, on in trees}
        ),
    )


def world(*faults: Fault, seed: int = 1, boot_s: float = 2.0) -> World:
    return World(small_machine(), faults, np.random.default_rng(seed), boot_s=boot_s, off_s=0.1, cycle_off_s=4.0)


def seen(events: list[WorldEvent]) -> list[tuple[float, str, str, str]]:
    return [(round(e.time_s, 6), e.controller, e.kind, e.cause) for e in events]


def test_a_latched_controller_stays_silent_until_its_power_is_cycled() -> None:
    w = world(Fault(part="gate-angle", latches=True, delay_s=0.5))
    w.advance(100.0)
    w.act(ActionKind.UNPLUG, "harness-A")
    w.advance(100.0)
    assert seen(w.events) == [(0.5, "hopper", "lost", "fault:gate-angle")]
    w.act(ActionKind.POWER_CYCLE)
    w.advance(10.0)
    assert w.healthy("hopper")
    assert [e.time_s for e in w.events if e.controller == "hopper" and e.kind == "back"] == [206.0]


def test_a_fault_without_latch_recovers_alone_and_shows_again_while_exposed() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, holds_s=3.0))
    w.advance(8.0)
    assert [(e.time_s, e.kind) for e in w.events] == [
        (0.5, "lost"),
        (3.5, "back"),
        (4.0, "lost"),
        (7.0, "back"),
        (7.5, "lost"),
    ]


def test_a_sensor_behind_an_unplugged_harness_troubles_nobody() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, from_s=1.0))
    w.act(ActionKind.UNPLUG, "harness-A")
    w.advance(60.0)
    assert not w.events
    assert w.exposed("gate-angle") == ()


def test_a_hard_fault_answers_the_action_that_exposed_it() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, latches=True))
    w.act(ActionKind.UNPLUG, "harness-A")
    w.advance(20.0)
    plugged = w.act(ActionKind.PLUG, "harness-A")
    w.advance(20.0)
    assert [(e.time_s, e.action) for e in w.events] == [(20.5, plugged)]


def test_a_repeat_of_a_hard_fault_that_nobody_exposed_anew_answers_no_action() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, holds_s=3.0))
    w.act(ActionKind.UNPLUG, "harness-A")
    w.advance(20.0)
    plugged = w.act(ActionKind.PLUG, "harness-A")
    w.advance(5.0)
    assert [e.action for e in w.events if e.kind == "lost"] == [plugged, None]


def test_a_part_that_goes_bad_long_after_it_was_plugged_answers_no_action() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, from_s=30.0))
    w.act(ActionKind.UNPLUG, "gate-angle")
    w.act(ActionKind.PLUG, "gate-angle")
    w.advance(31.0)
    assert [(e.time_s, e.action) for e in w.events] == [(30.5, None)]


def test_a_feed_fault_restarts_every_controller_below_it() -> None:
    w = world(Fault(part="fuse-1", delay_s=1.0, holds_s=3.0))
    w.advance(4.5)
    assert {(e.time_s, e.controller, e.kind, e.restarted) for e in w.events} == {
        (1.0, "hopper", "lost", True),
        (1.0, "fan", "lost", True),
        (4.0, "hopper", "back", True),
        (4.0, "fan", "back", True),
    }


def test_a_segment_fault_leaves_everyone_beyond_it_running() -> None:
    w = world(Fault(part="rear", delay_s=1.0, holds_s=3.0))
    w.advance(4.5)
    assert {(e.controller, e.kind, e.restarted) for e in w.events} == {
        ("hopper", "lost", False),
        ("fan", "lost", False),
        ("hopper", "back", False),
        ("fan", "back", False),
    }


def test_an_open_segment_does_not_fail_again_while_it_is_open() -> None:
    w = world(Fault(part="rear", delay_s=0.5, holds_s=3.0))
    w.advance(1.0)
    w.act(ActionKind.MARK)
    w.advance(2.8)
    assert [(e.time_s, e.kind) for e in w.events if e.controller == "fan"] == [(0.5, "lost"), (3.5, "back")]


def test_a_fault_of_the_near_segment_silences_the_far_one_too() -> None:
    w = world(Fault(part="front", delay_s=1.0))
    w.advance(2.0)
    assert {e.controller for e in w.events} == {"hopper", "fan", "engine"}


def test_unplugging_a_segment_is_told_from_cutting_the_power() -> None:
    w = world()
    w.act(ActionKind.UNPLUG, "rear")
    w.advance(1.0)
    w.act(ActionKind.PLUG, "rear")
    w.advance(1.0)
    w.act(ActionKind.POWER_OFF, "fuse-1")
    w.advance(1.0)
    w.act(ActionKind.POWER_ON, "fuse-1")
    w.advance(5.0)
    fan = [(e.time_s, e.kind, e.cause, e.restarted, e.action) for e in w.events if e.controller == "fan"]
    assert fan == [
        (0.0, "lost", "bus", False, 1),
        (1.0, "back", "bus", False, 2),
        (2.1, "lost", "power", True, 3),
        (5.0, "back", "power", True, 4),
    ]
    assert w.healthy("engine")


def test_power_that_returns_before_a_controller_has_run_dry_restarts_nothing() -> None:
    w = world()
    w.act(ActionKind.POWER_OFF)
    w.advance(0.05)
    w.act(ActionKind.POWER_ON)
    w.advance(10.0)
    assert not w.events


def test_swapping_sensors_moves_the_trouble_to_the_other_controller() -> None:
    w = world(Fault(part="gate-angle", delay_s=0.5, from_s=5.0))
    w.act(ActionKind.SWAP, "gate-angle", "fan-speed")
    w.advance(6.0)
    assert [e.controller for e in w.events] == ["fan"]


def test_swapping_controllers_moves_a_dead_unit_to_the_other_place() -> None:
    w = world(Fault(part="hopper", delay_s=0.5, from_s=5.0, latches=True))
    w.act(ActionKind.SWAP, "hopper", "engine")
    w.advance(6.0)
    assert [e.controller for e in w.events] == ["engine"]


def test_a_replaced_part_is_sound() -> None:
    w = world(Fault(part="gate-angle", rate_hz=1.0, holds_s=0.5))
    w.advance(20.0)
    n_before = len(w.events)
    w.act(ActionKind.REPLACE, "gate-angle")
    w.advance(200.0)
    assert n_before > 4
    assert len(w.events) - n_before <= 1


def test_an_intermittent_fault_shows_at_its_rate_while_exposed_to_a_running_controller() -> None:
    rate_hz, holds_s, length_s = 0.1, 1.0, 20_000.0
    w = world(Fault(part="gate-angle", rate_hz=rate_hz, holds_s=holds_s))
    w.advance(length_s)
    n_shown = sum(e.kind == "lost" for e in w.events)
    # A renewal process: a mean wait of 1 / rate, then the trouble; its count is nearly normal (Cox, Renewal Theory).
    mean = length_s / (1.0 / rate_hz + holds_s)
    spread = math.sqrt(length_s * (1.0 / rate_hz) ** 2 / (1.0 / rate_hz + holds_s) ** 3)
    assert abs(n_shown - mean) < 4.0 * spread


def test_a_wiggle_makes_an_intermittent_fault_show_about_every_second_time() -> None:
    answered = 0
    for seed in range(200):
        w = world(Fault(part="gate-angle", rate_hz=1e-9, holds_s=1.0), seed=seed)
        n = w.act(ActionKind.WIGGLE, "harness-A")
        w.advance(2.0)
        answered += any(e.action == n for e in w.events)
    assert 75 <= answered <= 125  # 100 expected, 3.5 standard deviations of a fair coin


def test_a_wiggle_elsewhere_makes_nothing_show() -> None:
    for seed in range(50):
        w = world(Fault(part="rear", rate_hz=1e-9), seed=seed)
        w.act(ActionKind.WIGGLE, "front")
        w.act(ActionKind.WIGGLE, "harness-A")
        w.advance(2.0)
        assert not w.events


def test_a_controller_that_waits_for_another_starts_after_it() -> None:
    boot_s = {"engine": 1.0, "fan": 2.0, "hopper": 2.5}
    w = World(small_machine(), (), np.random.default_rng(1), boot_s=boot_s, waits_for={"fan": "engine"}, powered=False)
    w.act(ActionKind.POWER_ON)
    w.advance(10.0)
    assert [(e.time_s, e.controller) for e in w.events] == [(1.0, "engine"), (2.5, "hopper"), (3.0, "fan")]


def test_a_fault_must_name_a_part_of_the_machine() -> None:
    with pytest.raises(ValueError, match="no part 'gate-angel'"):
        world(Fault(part="gate-angel"))


def test_power_ups_name_the_controllers_that_got_power() -> None:
    w = world()
    w.act(ActionKind.POWER_CYCLE, "fuse-1")
    w.advance(10.0)
    assert w.power_ups == [(4.0, ("hopper", "fan"))]


def test_a_wrong_press_names_the_sibling_of_what_was_done() -> None:
    w = world()
    technician = Technician(w, np.random.default_rng(1), Habits(wrong=1.0))
    technician.do(ActionKind.UNPLUG, "harness-A")
    assert [(a.kind, a.part) for a in technician.actions] == [(ActionKind.UNPLUG, "harness-B")]
    assert not w.is_plugged("harness-A")


def test_a_clock_that_is_off_shifts_every_press() -> None:
    technician = Technician(world(), np.random.default_rng(1), Habits(lag_s=0.0, clock_offset_s=-3.0), start_ns=10**12)
    technician.watch(5.0)
    technician.do(ActionKind.UNPLUG, "harness-A")
    assert [a.time_ns for a in technician.actions] == [10**12 + 2 * 10**9]


ACTIONS = st.sampled_from(
    [
        *((kind, part) for kind in (ActionKind.PLUG, ActionKind.UNPLUG) for part in small_machine().parts),
        *((kind, "hopper") for kind in (ActionKind.PLUG, ActionKind.UNPLUG)),
        (ActionKind.POWER_CYCLE, None),
        (ActionKind.POWER_OFF, "fuse-1"),
        (ActionKind.POWER_ON, "fuse-1"),
        (ActionKind.WIGGLE, "harness-A"),
    ]
)


@settings(max_examples=60)
@given(
    seed=st.integers(0, 1000),
    part=st.sampled_from(["gate-angle", "harness-B", "hopper", "fuse-1", "rear", "battery", "front"]),
    hard=st.booleans(),
    latches=st.booleans(),
    steps=st.lists(st.tuples(ACTIONS, st.floats(0.0, 15.0)), max_size=12),
)
def test_whatever_is_done_losses_and_returns_alternate_and_agree_with_power(
    seed: int,
    part: str,
    hard: bool,
    latches: bool,
    steps: list[tuple[tuple[ActionKind, str | None], float]],
) -> None:
    w = world(Fault(part=part, rate_hz=math.inf if hard else 0.2, latches=latches), seed=seed)
    for (kind, name), wait_s in steps:
        w.act(kind, name)
        w.advance(wait_s)
        for controller in w.machine.controllers:
            if w.healthy(controller) and wait_s > 0.2:
                assert w.has_power(controller)
    kinds: dict[str, list[str]] = defaultdict(list)
    for event in w.events:
        kinds[event.controller].append(event.kind)
    for of_one in kinds.values():
        assert of_one == (["lost", "back"] * len(of_one))[: len(of_one)]
    times = [event.time_s for event in w.events]
    assert times == sorted(times)


@settings(max_examples=20)
@given(seed=st.integers(0, 10_000))
def test_a_machine_without_faults_that_nobody_touches_has_no_events(seed: int) -> None:
    rng = np.random.default_rng(seed)
    w = World(random_machine(rng), (), rng)
    w.advance(10_000.0)
    assert not w.events


def test_a_fault_that_holds_lets_its_controller_start_when_the_part_comes_off() -> None:
    w = world(Fault(part="gate-angle", held=True, delay_s=0.5))
    w.advance(100.0)
    w.act(ActionKind.UNPLUG, "harness-A")
    w.advance(10.0)
    assert seen(w.events)[:2] == [
        (0.5, "hopper", "lost", "fault:gate-angle"),
        (102.0, "hopper", "back", "fault:gate-angle"),
    ]


def test_a_fault_that_holds_shows_again_when_the_power_was_cycled_with_the_part_in() -> None:
    w = world(Fault(part="gate-angle", held=True, delay_s=0.5))
    w.advance(10.0)
    w.act(ActionKind.POWER_CYCLE)
    w.advance(30.0)
    assert not w.healthy("hopper")
