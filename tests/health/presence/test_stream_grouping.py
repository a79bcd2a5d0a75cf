"""Whose the streams are: a NAME that moves from address to address, nodes, and identifiers that fall together."""

import pytest

from busdoc.health.incident import IncidentKind
from busdoc.health.presence.stream_grouping import _shared, group_streams
from busdoc.health.presence.watch import HealthWatch
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from tests.health.made_traffic import MS, S, at, health_of, merged, named, of_kind, ticking
from tests.health.presence.made_streams import silence, stream

NAME = bytes.fromhex("3F426F1A00823CC0")
NUMBER = int.from_bytes(NAME, "little")
GONE = (10 * S, 15 * S)
BEFORE = (3 * S, 5 * S)
"""Identifiers that nobody owns are put together where they were lost together more than once."""
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


def test_an_address_on_the_map_is_not_left_for_one_that_the_name_claims() -> None:
    block = merged(ticking(0x18FF0131), ticking(0x18FF0133, 3 * MS), at(0x18EEFF33, 1, NAME))
    assert [one.name for one in health_of(block, (named_hopper(address=0x31),)).controllers] == [
        *("hopper", "address 0x33")
    ]


def test_a_controller_has_the_frames_that_its_map_lists_and_those_of_the_address_that_its_name_claims() -> None:
    expects = (ExpectedStream(id=0x18FF0177, extended=True, period_ns=None, period_from=PeriodFrom.LEARNT),)
    hopper = ControllerSpec(name="hopper", identity=Identity(can_name=NUMBER), expects=expects)
    block = merged(ticking(0x18FF0131), ticking(0x18FF0177, 3 * MS), OTHER, at(0x18EEFF31, 1, NAME))
    health = health_of(block, (hopper,))
    assert [one.name for one in health.controllers] == ["hopper", "address 0x42"]
    assert [one.key.id & 0xFF for one in named(health, "hopper").streams if one.cyclic] == [0x31, 0x77]


@pytest.mark.parametrize(("channel", "name"), [(0, "hopper"), (1, "address 0x31")])
def test_a_name_counts_on_the_channel_of_its_controller_alone(channel: int, name: str) -> None:
    hopper = ControllerSpec(name="hopper", channel=channel, identity=Identity(can_name=NUMBER))
    health = health_of(merged(ticking(0x18FF0131), OTHER, at(0x18EEFF31, 1, NAME)), (hopper,))
    assert named(health, name).streams


def test_addresses_stand_in_the_order_of_their_first_frames() -> None:
    health = health_of(merged(ticking(0x18FF0142), ticking(0x18FF0131, 3 * MS)))
    assert [one.name for one in health.controllers] == ["address 0x42", "address 0x31"]


# Nodes


def test_the_emergencies_of_a_node_are_no_rhythm_once_it_is_one() -> None:
    # CiA 301: 0x080 + node, sent when something has happened
    emergencies = ticking(0x085, 3 * MS, extended=False)
    node = named(health_of(merged(ticking(0x705, extended=False, length=1), emergencies, OTHER)), "node 5")
    assert [(one.key.id, one.cyclic) for one in node.streams] == [(0x705, True), (0x085, False)]
    (unproven,) = named(health_of(merged(emergencies, OTHER)), "id 0x085").streams
    assert unproven.cyclic


def test_a_node_owns_its_boot_ups() -> None:
    # CiA 301: a boot-up is one byte, zero, on 0x700 + node
    heartbeat = ticking(0x705, extended=False, length=1).without(*GONE)
    boot_up = at(0x705, 14_950 * MS, bytes(1), extended=False)
    health = health_of(merged(heartbeat, OTHER, boot_up))
    assert named(health, "node 5").identity == Identity(node_id=5)
    (incident,) = of_kind(health, IncidentKind.DROPOUT)
    assert "it sent a boot-up that nobody had asked for" in incident.why


# Identifiers that nobody owns


def test_identifiers_of_no_node_stand_for_themselves_and_the_null_address_for_nobody() -> None:
    # SAE J1939-81: the null address is 254; CiA 301: 0x600 is what a node is sent, 0x680 is nobody's
    nobody, tool = ticking(0x18FF01FE), [ticking(one, k * MS, extended=False) for k, one in enumerate((0x605, 0x685))]
    health = health_of(merged(nobody, *tool, OTHER))
    assert [one.name for one in health.controllers] == ["address 0x42", "id 0x605", "id 0x685"]


def test_an_event_before_them_keeps_nobody_from_being_grouped() -> None:
    both = enumerate((0x1A0, 0x1B0), start=1)
    streams = [ticking(one, k * MS, extended=False).without(*BEFORE).without(*GONE) for k, one in both]
    health = health_of(merged(at(0x3F1, 0, bytes(1), extended=False), *streams, OTHER))
    assert {one.name for one in health.controllers} == {"address 0x42", "id 0x1A0", "id 0x3F1"}


def together(fast: tuple[int, int], slow: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    """Give the absences of two identifiers that fell together twice, and then each as given."""
    streams = [
        ticking(0x1A0, extended=False).without(*BEFORE).without(*GONE).without(*fast),
        ticking(0x1B0, 200 * MS, period_ns=400 * MS, extended=False).without(*BEFORE).without(*GONE).without(*slow),
    ]
    health = health_of(merged(*streams, ticking(0x2C0, extended=False)))
    assert {one.name for one in health.controllers} == {"id 0x1A0", "id 0x2C0"}
    return named(health, "id 0x1A0").absences[2:]


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


@pytest.mark.parametrize(("silent_to_ns", "n"), [(12 * S, 2), (13 * S, 3)])
def test_a_loss_is_the_channels_once_that_was_silent_for_more_than_half_of_it(silent_to_ns: int, n: int) -> None:
    both = enumerate((0x1A0, 0x1B0))
    streams = [ticking(one, k * MS, extended=False).without(*BEFORE).without(*GONE) for k, one in both]
    other = ticking(0x2C0, 7 * MS, extended=False).without(10 * S, silent_to_ns)
    assert len(health_of(merged(*streams, other)).controllers) == n


def test_what_was_silent_for_just_half_of_a_loss_was_not_silent_with_it() -> None:
    streams = [ticking(one, extended=False).without(*BEFORE).without(*GONE) for one in (0x1A0, 0x1B0)]
    other = ticking(0x2C0, extended=False).without(10 * S, 12_500 * MS)
    assert len(health_of(merged(*streams, other)).controllers) == 2


def test_two_addresses_heard_at_one_moment_leave_no_silence_between() -> None:
    watch = HealthWatch((named_hopper(),))
    old, new = ticking(0x18FF0131).without(*GONE), ticking(0x18FF0133).without(15 * S, 20 * S)
    watch.feed(merged(old, new, at(0x18EEFF31, 1, NAME), at(0x18EEFF33, 2, NAME)))
    (hopper,) = group_streams(watch._observed, {}, 30 * S, {})
    assert 15 * S not in [one.from_ns for one in hopper.silences]


def test_who_was_silent_in_the_middle_is_told_to_the_nanosecond_also_of_the_times_of_today() -> None:
    # as a float64, a time in ns since 1970 steps by 256 ns (IEEE 754): the middle would be 56 ns late
    middle_ns = 1_700_000_000 * S + 200
    fastest = stream(silence(middle_ns - 10 * S, middle_ns + 10 * S))
    for from_ns, began_ns in ((middle_ns, middle_ns), (middle_ns + 1, middle_ns - 10 * S)):
        other = stream(silence(from_ns, None), deadline_ns=500 * MS)
        (shared,) = _shared([fastest, other], middle_ns + 20 * S)
        assert (shared.from_ns, shared.to_ns) == (began_ns, middle_ns + 10 * S)
