"""Whose the streams are: a NAME that moves from address to address, nodes, and identifiers that fall together."""

import pytest

from busdoc.health.incident import IncidentKind
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from tests.health.made_traffic import MS, S, at, health_of, merged, named, of_kind, ticking

NAME = bytes.fromhex("3F426F1A00823CC0")
NUMBER = int.from_bytes(NAME, "little")
GONE = (10 * S, 15 * S)
OTHER = ticking(0x18FF0142, 7 * MS)


def named_hopper(*, address: int | None = None) -> ControllerSpec:
    return ControllerSpec(name="hopper", identity=Identity(address=address, can_name=NUMBER))


# A NAME and its addresses (SAE J1939-81: a controller is its NAME, and may claim another address)


def test_a_controller_that_moved_is_lost_while_it_is_silent_on_both_its_addresses() -> None:
    old, new = ticking(0x18FF0131, until_ns=12 * S), ticking(0x18FF0133, 12_050 * MS).without(20 * S, 23 * S)
    back = ticking(0x18FF0131, 25 * S, until_ns=27 * S)
    claims = [at(0x18EEFF31, 1, NAME), at(0x18EEFF33, 12 * S + 1, NAME)]
    hopper = named(health_of(merged(old, new, back, OTHER, *claims), (named_hopper(),)), "hopper")
    assert {one.key.id & 0xFF for one in hopper.streams} == {0x31, 0x33}
    assert hopper.identity == Identity(can_name=NUMBER)
    assert hopper.absences == ((19_950 * MS, 23_050 * MS),)


def test_a_controller_that_moved_and_is_silent_on_both_its_addresses_to_the_end_is_gone() -> None:
    old, new = ticking(0x18FF0131, until_ns=12 * S), ticking(0x18FF0133, 12_050 * MS).without(20 * S, 31 * S)
    claims = [at(0x18EEFF31, 1, NAME), at(0x18EEFF33, 12 * S + 1, NAME)]
    hopper = named(health_of(merged(old, new, OTHER, *claims), (named_hopper(),)), "hopper")
    assert hopper.absences == ((19_950 * MS, 29_907 * MS),)


def test_a_controller_known_by_its_name_gets_the_one_address_that_it_has() -> None:
    health = health_of(merged(ticking(0x18FF0131), OTHER, at(0x18EEFF31, 1, NAME)), (named_hopper(),))
    assert named(health, "hopper").identity == Identity(address=0x31, can_name=NUMBER)


def test_what_the_map_says_of_the_name_stands_where_no_claim_was_heard() -> None:
    health = health_of(merged(ticking(0x18FF0131), OTHER), (named_hopper(address=0x31),))
    assert named(health, "hopper").identity == Identity(address=0x31, can_name=NUMBER)


def test_a_map_that_gives_neither_gets_neither() -> None:
    expects = (ExpectedStream(id=0x18FF0131, extended=True, period_ns=None, period_from=PeriodFrom.LEARNT),)
    block = merged(ticking(0x18FF0131), OTHER, at(0x18EEFF31, 1, NAME))
    assert named(health_of(block, (ControllerSpec(name="hopper", expects=expects),)), "hopper").identity == Identity()


def test_a_name_that_cannot_claim_an_address_is_known_by_the_name_alone() -> None:
    # SAE J1939-81: 'cannot claim' is a claim sent from the null address
    lost = ticking(0x18FF0131).without(*GONE)
    cannot = at(0x18EEFFFE, 14_950 * MS, NAME)
    health = health_of(merged(lost, OTHER, cannot, at(0x18EEFF31, 1, NAME)), (named_hopper(),))
    (incident,) = of_kind(health, IncidentKind.DROPOUT)
    assert "it sent a cannot claim that nobody had asked for" in incident.why


# Nodes


def test_a_node_owns_its_boot_ups() -> None:
    # CiA 301: a boot-up is one byte, zero, on 0x700 + node
    heartbeat = ticking(0x705, extended=False, length=1).without(*GONE)
    boot_up = at(0x705, 14_950 * MS, bytes(1), extended=False)
    health = health_of(merged(heartbeat, OTHER, boot_up))
    assert named(health, "node 5").identity == Identity(node_id=5)
    (incident,) = of_kind(health, IncidentKind.DROPOUT)
    assert "it sent a boot-up that nobody had asked for" in incident.why


# Identifiers that nobody owns


def together(fast: tuple[int, int], slow: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    """Give the absences of two identifiers that fell together once, and then each as given."""
    streams = [
        ticking(0x1A0, extended=False).without(*GONE).without(*fast),
        ticking(0x1B0, 200 * MS, period_ns=400 * MS, extended=False).without(*GONE).without(*slow),
    ]
    health = health_of(merged(*streams, ticking(0x2C0, extended=False)))
    assert {one.name for one in health.controllers} == {"id 0x1A0", "id 0x2C0"}
    return named(health, "id 0x1A0").absences[1:]


@pytest.mark.parametrize(
    ("fast_to_ns", "slow_to_ns", "back_ns"),
    [
        (29_500 * MS, 31 * S, 29_500 * MS),
        (31 * S, 29_700 * MS, 29_800 * MS),
        (29_900 * MS, 29_700 * MS, 29_800 * MS),
    ],
)
def test_a_group_is_back_with_the_first_of_its_identifiers(fast_to_ns: int, slow_to_ns: int, back_ns: int) -> None:
    assert together((29 * S, fast_to_ns), (29 * S, slow_to_ns)) == ((29 * S, back_ns),)
