"""Where the suspicion lies before any trial: the shares of docs/probabilities.md, worked out by hand."""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import pytest

from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.isolation.suspects.prior import SET_SIZE_PRIOR, kind_of, part_weights, share_off_the_map
from busdoc.machine.machine import Machine, Part, PartKind
from tests.truth.hand_records import BRANCHES, NS, ON_IT, sweeper

FEEDS = ("battery", "fuse-1", "fuse-2", "fuse-3")
TRUNKS = ("front-trunk", "rear-trunk")
UNITS = tuple(sweeper().controllers)


def weights_of(machine: Machine, *codes: FaultCode, parts: tuple[str, ...] | None = None) -> Mapping[str, float]:
    parts = (*machine.controllers, *machine.parts) if parts is None else parts
    return dict(zip(parts, part_weights(machine, parts, machine.controllers, codes).tolist(), strict=True))


def pointing_at(*what: str) -> FaultCode:
    return FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code="SPN 3509 FMI 4",
        text="sensor supply below range",
        occurrences=1,
        first_ns=30 * NS,
        last_ns=30 * NS,
        active=False,
        points_at=what,
    )


def test_each_kind_of_part_has_its_share_however_many_there_are() -> None:
    weights = weights_of(sweeper())
    assert sum(weights[p] for p in (*BRANCHES, *ON_IT.values())) == pytest.approx(0.62)
    assert sum(weights[p] for p in UNITS) == pytest.approx(0.14)
    assert sum(weights[p] for p in FEEDS) == pytest.approx(0.12)
    assert sum(weights[p] for p in TRUNKS) == pytest.approx(0.12)
    assert [weights[p] for p in UNITS] == pytest.approx([0.14 / 6] * 6)
    assert SET_SIZE_PRIOR.sum() == pytest.approx(1.0)


def test_of_a_branch_the_harness_and_the_sensor_fail_most_and_a_terminator_hardly_ever() -> None:
    kinds = ("harness", "sensor", "connector", "lead", "actuator", "terminator")
    parts = {kind: Part(name=kind, kind=PartKind(kind)) for kind in kinds}
    weights = weights_of(Machine(parts=MappingProxyType(parts)))
    assert list(weights.values()) == pytest.approx([share / 4.3 for share in (1.0, 1.0, 0.8, 0.7, 0.6, 0.2)])
    beside = weights_of(Machine(parts=MappingProxyType(parts)), parts=(*kinds, "blue plug"))
    assert beside["blue plug"] == beside["harness"]  # of a plug that only the journal names nothing is known


def test_what_the_map_states_stands_in_place_of_the_share() -> None:
    """A harness has 0.62 / 7.6 of all: four, three sensors and an actuator, which counts for 0.6. That becomes 0.9."""
    machine = sweeper()
    parts = {**machine.parts, "harness-C": replace(machine.parts["harness-C"], prior=0.9)}
    units = {**machine.controllers, "fan": replace(machine.controllers["fan"], prior=0.0)}
    stated = replace(machine, parts=MappingProxyType(parts), controllers=MappingProxyType(units))
    left = 1.0 - 0.62 / 7.6 - 0.14 / 6
    assert weights_of(stated)["harness-C"] == pytest.approx(0.9 / (left + 0.9))
    assert weights_of(stated)["fan"] == 0.0
    assert weights_of(replace(stated, parts=MappingProxyType({}), controllers=MappingProxyType({}))) == {}


def test_a_map_of_one_kind_has_all_the_weight_and_one_without_any_has_none() -> None:
    feeds = {name: sweeper().parts[name] for name in FEEDS}
    assert list(weights_of(Machine(parts=MappingProxyType(feeds))).values()) == pytest.approx([0.25] * 4)
    sound = Part(name="lead", kind=PartKind.LEAD, prior=0.0)
    assert weights_of(Machine(parts=MappingProxyType({"lead": sound}))) == {"lead": 0.0}


@pytest.mark.parametrize(
    ("named", "meant"),
    [
        (("sensor",), ("gate-angle", "tilt-angle", "fill-level")),
        (("tilt-valve",), ("tilt-valve",)),
        (("controller",), ("hopper",)),
        (("fan",), ("fan",)),
        (("feed",), ()),  # the hopper has none of its own
        ((), ()),
    ],
)
def test_a_code_makes_what_it_points_at_four_times_likelier(named: tuple[str, ...], meant: tuple[str, ...]) -> None:
    """Parts of a kind that it names hang on the code's controller; a part that it names may be anywhere."""
    plain, hinted = weights_of(sweeper()), weights_of(sweeper(), pointing_at(*named))
    other = "engine"
    for part, weight in plain.items():
        times = (hinted[part] / hinted[other]) / (weight / plain[other])
        assert times == pytest.approx(4.0 if part in meant else 1.0), part


def test_kinds_of_parts_that_the_map_does_not_have_keep_their_share() -> None:
    whole, units = sweeper(), Machine(controllers=sweeper().controllers)
    assert share_off_the_map(whole, UNITS, UNITS) == 0.0
    assert share_off_the_map(units, UNITS, UNITS) == pytest.approx(0.62 + 0.12 + 0.12)
    feeds = replace(units, parts=MappingProxyType({name: whole.parts[name] for name in FEEDS}))
    assert share_off_the_map(feeds, (*UNITS, *FEEDS), UNITS) == pytest.approx(0.62 + 0.12)


def test_plugs_that_only_the_journal_names_have_their_part_of_the_branches() -> None:
    """One more is thought to hang there (common practice: what is suspected is tried): n of n + 1 of 0.62 is theirs."""
    units = Machine(controllers=sweeper().controllers)
    for n in (1, 3):
        plugs = tuple(f"plug {k}" for k in range(n))
        assert share_off_the_map(units, (*UNITS, *plugs), UNITS) == pytest.approx(0.86 - 0.62 * n / (n + 1))
    assert share_off_the_map(sweeper(), (*UNITS, "plug"), UNITS) == 0.0


def test_a_controller_and_a_name_that_the_map_does_not_know_have_no_kind() -> None:
    assert kind_of(sweeper(), "hopper") is None
    assert kind_of(sweeper(), "plug") is None
    assert kind_of(sweeper(), "tilt-valve") is PartKind.ACTUATOR


def test_beside_plugs_that_only_the_journal_names_the_controllers_are_those_in_trouble() -> None:
    """They hang on who fell, if one of them is at fault; so who fell has the share of controllers, 0.14 to 0.62."""
    units = Machine(controllers=sweeper().controllers)
    parts = (*UNITS, "plug 1", "plug 2")
    share = dict(zip(parts, part_weights(units, parts, UNITS, troubled=("hopper",)).tolist(), strict=True))
    assert share["hopper"] / share["plug 1"] == pytest.approx(0.14 / (0.62 / 2))
    both = dict(zip(parts, part_weights(units, parts, UNITS, troubled=("hopper", "fan")).tolist(), strict=True))
    assert both["hopper"] == pytest.approx(both["fan"])
    assert both["hopper"] / both["plug 1"] == pytest.approx(0.07 / (0.62 / 2))


def test_where_the_map_has_the_branches_who_fell_changes_no_share() -> None:
    parts = (*UNITS, *sweeper().parts, "plug 1")
    asked = (sweeper(), parts, UNITS)
    assert part_weights(*asked, troubled=("hopper",)).tolist() == part_weights(*asked).tolist()
