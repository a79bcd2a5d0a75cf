"""What is plugged, powered and exposed: the sweeper by hand, then random machines against a naive reference."""

from collections.abc import Mapping
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.plugged import PlugState, exposure_timeline, opening_state
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind

PLUG, UNPLUG, SWAP = ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP
OFF, ON, CYCLE = ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE

TREE = (
    ("battery", PartKind.FEED, None),
    ("fuse-3", PartKind.FEED, "battery"),
    ("fuse-4", PartKind.FEED, "battery"),
    ("front-trunk", PartKind.SEGMENT, None),
    ("rear-trunk", PartKind.SEGMENT, "front-trunk"),
    ("rear-end", PartKind.TERMINATOR, "rear-trunk"),
    ("harness-A", PartKind.HARNESS, "hopper:A"),
    ("harness-B", PartKind.HARNESS, "hopper:B"),
    ("gate-angle", PartKind.SENSOR, "harness-A:gate"),
    ("brush-lead", PartKind.LEAD, "brush:L"),
)


def machine_of(
    tree: tuple[tuple[str, PartKind, str | None], ...], controllers: Mapping[str, tuple[str, str]]
) -> Machine:
    parts = {}
    for name, kind, place in tree:
        owner, _, socket = (place or "").partition(":")
        parts[name] = Part(name=name, kind=kind, owner=owner or None, socket=socket or None)
    return Machine(
        parts=MappingProxyType(parts),
        controllers=MappingProxyType(
            {
                name: Controller(spec=ControllerSpec(name=name), feed=feed, segment=segment)
                for name, (feed, segment) in controllers.items()
            }
        ),
    )


SWEEPER = machine_of(TREE, {"hopper": ("fuse-3", "rear-trunk"), "brush": ("fuse-4", "front-trunk")})
OF_HOPPER = {
    "hopper",
    "fuse-3",
    "battery",
    "rear-trunk",
    "front-trunk",
    "rear-end",
    "harness-A",
    "harness-B",
    "gate-angle",
}


def act(kind: ActionKind, part: str | None = None, into: str | None = None, *, n: int = 1, at_s: int = 0) -> Action:
    return Action(n=n, time_ns=at_s * 10**9, uncertainty_ns=10**9, kind=kind, part=part, into=into)


def after(*actions: Action) -> PlugState:
    state = PlugState.all_plugged(SWEEPER)
    for action in actions:
        state = state.after(action)
    return state


def test_with_everything_plugged_all_of_its_own_is_exposed() -> None:
    assert after().exposed("hopper") == OF_HOPPER


def test_a_controller_is_not_exposed_to_another_ones_branch() -> None:
    assert after().exposed("brush") == {"brush", "fuse-4", "battery", "front-trunk", "brush-lead"}


def test_unplugging_a_harness_takes_what_hangs_on_it() -> None:
    state = after(act(UNPLUG, "harness-A"))
    assert state.exposed("hopper") == OF_HOPPER - {"harness-A", "gate-angle"}
    assert not state.joined("gate-angle")
    assert state.heard("hopper")


@pytest.mark.parametrize("part", ["battery", "fuse-3", "hopper"])
def test_without_power_or_connector_nothing_is_exposed(part: str) -> None:
    state = after(act(UNPLUG, part))
    assert not state.powered("hopper")
    assert state.exposed("hopper") == frozenset()


def test_an_unplugged_segment_leaves_the_controller_running_unheard() -> None:
    state = after(act(UNPLUG, "front-trunk"))
    assert state.powered("hopper")
    assert not state.heard("hopper")
    assert state.exposed("hopper") == OF_HOPPER - {"front-trunk"}


def test_switching_a_feed_off_takes_its_controllers_and_no_others() -> None:
    effect = after().effect(act(OFF, "fuse-3"))
    assert effect.taken == {"hopper"}
    assert effect.given_back == frozenset()
    assert effect.removed == {"hopper": OF_HOPPER}


def test_a_power_cycle_takes_and_gives_back() -> None:
    effect = after().effect(act(CYCLE))
    assert effect.taken == effect.given_back == {"hopper", "brush"}
    assert after(act(CYCLE)).exposed("hopper") == OF_HOPPER


def test_plugging_a_harness_exposes_it_and_what_hangs_on_it() -> None:
    effect = after(act(UNPLUG, "harness-A")).effect(act(PLUG, "harness-A"))
    assert effect.newly_exposed == {"hopper": {"harness-A", "gate-angle"}}
    assert not effect.taken


def test_a_part_may_be_plugged_into_another_place() -> None:
    state = after(act(UNPLUG, "harness-B"), act(PLUG, "harness-B", "brush:B"))
    assert "harness-B" in state.exposed("brush")
    assert "harness-B" not in state.exposed("hopper")


def test_a_swap_moves_what_hangs_on_the_parts_too() -> None:
    state = after(act(SWAP, "harness-A", "brush-lead"))
    assert {"harness-A", "gate-angle"} <= state.exposed("brush")
    assert "brush-lead" in state.exposed("hopper")


def test_after_a_swap_a_part_goes_back_to_its_new_place() -> None:
    state = after(act(SWAP, "harness-A", "brush-lead"), act(UNPLUG, "harness-A"), act(PLUG, "harness-A"))
    assert "harness-A" in state.exposed("brush")


def test_swapped_controllers_bring_themselves_and_leave_their_branches() -> None:
    state = after(act(SWAP, "hopper", "brush"))
    assert state.exposed("hopper") == OF_HOPPER - {"hopper"} | {"brush"}


def test_a_replacement_counts_the_specimen_and_passes_through_unplugged() -> None:
    effect = after().effect(act(ActionKind.REPLACE, "harness-A"))
    assert effect.removed == effect.newly_exposed == {"hopper": {"harness-A", "gate-angle"}}
    assert after(act(ActionKind.REPLACE, "harness-A")).specimens == {"harness-A": 1}


@pytest.mark.parametrize("kind", [ActionKind.WIGGLE, ActionKind.MARK])
def test_a_wiggle_or_a_mark_changes_nothing(kind: ActionKind) -> None:
    effect = after().effect(act(kind, "harness-A"))
    assert not any((effect.taken, effect.given_back, effect.newly_exposed, effect.removed))


def test_a_journal_that_begins_by_plugging_says_that_the_part_was_out() -> None:
    state = opening_state(SWEEPER, [act(PLUG, "harness-A"), act(UNPLUG, "harness-B"), act(PLUG, "brush-lead")])
    assert not state.plugged("harness-A")
    assert state.plugged("brush-lead")


def test_a_journal_that_begins_by_switching_on_says_that_the_power_was_off() -> None:
    assert not opening_state(SWEEPER, [act(ON), act(UNPLUG, "harness-A")]).powered("hopper")
    assert opening_state(SWEEPER, [act(UNPLUG, "harness-A"), act(ON)]).powered("hopper")


def test_branches_that_no_map_knows_are_exposed_to_every_controller() -> None:
    journal = [act(UNPLUG, "left"), act(UNPLUG, "right"), act(PLUG, "left")]
    state = opening_state(Machine(), journal)
    for action in journal:
        state = state.after(action)
    assert state.exposed("address 0x31") == {"address 0x31", "left"}


def test_a_branch_off_the_map_with_a_place_belongs_to_that_place() -> None:
    journal = [act(UNPLUG, "spare"), act(PLUG, "spare", "brush:C")]
    state = opening_state(SWEEPER, journal)
    for action in journal:
        state = state.after(action)
    assert "spare" in state.exposed("brush")
    assert "spare" not in state.exposed("hopper")


def test_the_timeline_is_cut_where_an_action_touches_the_controller() -> None:
    journal = [
        act(UNPLUG, "harness-A", n=1, at_s=10),
        act(UNPLUG, "brush-lead", n=2, at_s=20),
        act(CYCLE, "fuse-3", n=3, at_s=30),
        act(PLUG, "harness-A", n=4, at_s=40),
    ]
    spans = exposure_timeline(SWEEPER, journal, "hopper", 0, 60 * 10**9)
    assert [(s.from_ns // 10**9, s.to_ns // 10**9, s.begun_by) for s in spans] == [
        (0, 10, None),
        (10, 30, 1),
        (30, 40, 3),
        (40, 60, 4),
    ]
    assert [s.exposed == OF_HOPPER for s in spans] == [True, False, False, True]


def test_an_action_before_the_start_counts_from_the_start() -> None:
    spans = exposure_timeline(SWEEPER, [act(UNPLUG, "harness-A", at_s=1)], "hopper", 5 * 10**9, 9 * 10**9)
    assert [(s.from_ns, s.exposed) for s in spans] == [(5 * 10**9, frozenset(OF_HOPPER - {"harness-A", "gate-angle"}))]


# Random machines


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    feeds = [f"fuse-{k}" for k in range(draw(st.integers(1, 4)))]
    segments = [f"trunk-{k}" for k in range(draw(st.integers(1, 4)))]
    tree: list[tuple[str, PartKind, str | None]] = []
    for names, kind in ((feeds, PartKind.FEED), (segments, PartKind.SEGMENT)):
        for k, name in enumerate(names):
            tree.append((name, kind, draw(st.sampled_from([None, *names[:k]]))))
    controllers = {
        f"ctl-{k}": (draw(st.sampled_from(feeds)), draw(st.sampled_from(segments)))
        for k in range(draw(st.integers(1, 3)))
    }
    owners = [*controllers, *feeds[:1], *segments[:1]]
    for k in range(draw(st.integers(1, 6))):
        tree.append((f"branch-{k}", PartKind.HARNESS, draw(st.sampled_from(owners))))
        owners.append(f"branch-{k}")
    return machine_of(tuple(tree), controllers)


def naive_exposed(machine: Machine, out: set[str], off: set[str], main_on: bool, controller: str) -> set[str]:
    """Ask of every part by itself whether a chain of plugs joins it to the controller."""
    record = machine.controllers[controller]

    def up(name: str) -> list[str]:
        owner = machine.parts[name].owner if name in machine.parts else None
        return [name] + (up(owner) if owner is not None and owner not in machine.controllers else [])

    def top(name: str) -> str | None:
        return machine.parts[up(name)[-1]].owner

    assert record.feed is not None
    assert record.segment is not None
    supply = up(record.feed)
    if not main_on or controller in out or any(name in out or name in off for name in supply):
        return set()
    bus = []
    for name in up(record.segment):
        if name in out:
            break
        bus.append(name)
    exposed = {controller, *supply, *bus}
    for name, part in machine.parts.items():
        if part.kind in (PartKind.FEED, PartKind.SEGMENT):
            continue
        chain = up(name)
        branch = [x for x in chain if machine.parts[x].kind not in (PartKind.FEED, PartKind.SEGMENT)]
        if any(x in out for x in branch):
            continue
        root = chain[len(branch)] if len(branch) < len(chain) else top(name)
        if root == controller or root in supply or root in bus:
            exposed.add(name)
    return exposed


@given(machine=machines(), data=st.data())
@settings(max_examples=120)
def test_exposure_equals_asking_every_part_by_itself(machine: Machine, data: st.DataObject) -> None:
    names = [*machine.parts, *machine.controllers]
    feeds = [name for name, part in machine.parts.items() if part.kind is PartKind.FEED]
    out: set[str] = set()
    off: set[str] = set()
    main_on = True
    state = PlugState.all_plugged(machine)
    for _ in range(data.draw(st.integers(0, 8))):
        kind = data.draw(st.sampled_from([PLUG, UNPLUG, UNPLUG, OFF, ON, CYCLE]))
        part = data.draw(st.sampled_from(names if kind in (PLUG, UNPLUG) else [None, *feeds]))
        state = state.after(act(kind, part))
        if part is None:
            main_on = kind is not OFF
        elif kind in (PLUG, UNPLUG):
            (out.discard if kind is PLUG else out.add)(part)
        else:
            (off.add if kind is OFF else off.discard)(part)
    for controller in machine.controllers:
        assert state.exposed(controller) == naive_exposed(machine, out, off, main_on, controller)


@given(machine=machines(), data=st.data())
@settings(max_examples=80)
def test_unplugging_and_plugging_again_restores_what_was_exposed(machine: Machine, data: st.DataObject) -> None:
    names = [*machine.parts, *machine.controllers]
    state = PlugState.all_plugged(machine)
    order = data.draw(st.lists(st.sampled_from(names), unique=True, max_size=5))
    changed = state
    for part in order:
        changed = changed.after(act(UNPLUG, part))
        assert all(part not in changed.exposed(controller) for controller in machine.controllers)
    for part in data.draw(st.permutations(order)):
        changed = changed.after(act(PLUG, part))
    assert all(changed.exposed(c) == state.exposed(c) for c in machine.controllers)


@given(machine=machines(), data=st.data())
@settings(max_examples=80)
def test_an_effect_is_the_difference_that_it_makes(machine: Machine, data: st.DataObject) -> None:
    names = [*machine.parts, *machine.controllers]
    state = PlugState.all_plugged(machine)
    for part in data.draw(st.lists(st.sampled_from(names), max_size=4)):
        action = act(data.draw(st.sampled_from([PLUG, UNPLUG])), part)
        effect, later = state.effect(action), state.after(action)
        for controller in machine.controllers:
            lost = effect.removed.get(controller, frozenset())
            gained = effect.newly_exposed.get(controller, frozenset())
            assert later.exposed(controller) == state.exposed(controller) - lost | gained
            assert (controller in effect.taken) == (state.heard(controller) and not later.heard(controller))
            assert (controller in effect.given_back) == (later.heard(controller) and not state.heard(controller))
        state = later
