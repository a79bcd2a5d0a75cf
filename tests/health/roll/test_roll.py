"""Who is on the bus: by map, database, source address, node, or where identifiers vanish and return together."""

from dataclasses import replace

from busdoc.capture.channels import ChannelTable
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message
from busdoc.health.controller import StreamKey
from busdoc.health.incident import IncidentKind
from busdoc.health.presence.common_loss import UnownedStream, group_by_common_loss
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.roll.roll import can_be_cyclic, node_of, specs_from_database
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from tests.health.made_traffic import MS, Maker, S, at, health_of, merged, named, of_kind

UNTIL_NS = 30 * S


def names(health: object) -> set[str]:
    return {controller.name for controller in health.controllers}  # type: ignore[attr-defined]


def test_29_bit_identifiers_are_grouped_by_source_address() -> None:
    # SAE J1939-21: the lowest eight bits of the identifier are the source address
    maker = Maker()
    block = merged(
        maker.cyclic(0x0CF00400, 20 * MS, UNTIL_NS),
        maker.cyclic(0x18FEF100, 100 * MS, UNTIL_NS),
        maker.cyclic(0x18FFFF31, 100 * MS, UNTIL_NS),
    )
    health = health_of(block)
    assert names(health) == {"address 0x00", "address 0x31"}
    assert len(named(health, "address 0x00").streams) == 2
    assert named(health, "address 0x31").identity.address == 0x31


def test_the_null_address_is_no_controller() -> None:
    block = merged(Maker().cyclic(0x18FF0131, 20 * MS, UNTIL_NS), at(0x18EAFFFE, S, bytes.fromhex("00EE00")))
    assert names(health_of(block)) == {"address 0x31"}


def test_one_byte_on_the_error_control_identifier_proves_a_canopen_node() -> None:
    # CiA 301, predefined connection set: node 5 sends 0x185, 0x285 and its heartbeat on 0x705
    maker = Maker()
    heartbeat = replace(maker.cyclic(0x705, 200 * MS, UNTIL_NS, extended=False), length=1)
    pdos = [maker.cyclic(identifier, 50 * MS, UNTIL_NS, extended=False) for identifier in (0x185, 0x285)]
    to_it = maker.cyclic(0x205, 50 * MS, UNTIL_NS, extended=False)  # 0x200 + n is received by the node, not sent
    health = health_of(merged(heartbeat, *pdos, to_it))
    assert names(health) == {"node 5", "id 0x205"}
    assert {str(stream.key) for stream in named(health, "node 5").streams} == {"0x705", "0x185", "0x285"}


def test_longer_frames_on_the_same_identifier_prove_no_node() -> None:
    maker = Maker()
    block = merged(*(maker.cyclic(identifier, 50 * MS, UNTIL_NS, extended=False) for identifier in (0x185, 0x705)))
    assert names(health_of(block)) == {"id 0x185", "id 0x705"}


def test_the_node_of_an_identifier_is_its_low_seven_bits_for_what_a_node_sends() -> None:
    def key(identifier: int, extended: bool = False) -> StreamKey:
        return StreamKey(channel=0, extended=extended, id=identifier)

    assert [node_of(key(identifier)) for identifier in (0x085, 0x185, 0x285, 0x385, 0x485, 0x585, 0x705)] == [5] * 7
    assert [node_of(key(identifier)) for identifier in (0x000, 0x080, 0x205, 0x605)] == [None] * 4
    assert node_of(key(0x185, extended=True)) is None


def test_requests_claims_transport_and_active_codes_are_never_signs_of_life() -> None:
    # SAE J1939-21 (request 0xEA, acknowledgement 0xE8, transport 0xEB and 0xEC), J1939-81 (claim 0xEE), J1939-73 (DM1)
    for identifier in (0x18EAFF31, 0x18E8FF31, 0x1CEBFF31, 0x1CECFF31, 0x18EEFF31, 0x18FECA31):
        assert not can_be_cyclic(StreamKey(channel=0, extended=True, id=identifier))
    for identifier in (0x0CF00400, 0x18FFFF31, 0x18EF2100):
        assert can_be_cyclic(StreamKey(channel=0, extended=True, id=identifier))


def test_emergencies_and_answers_of_a_canopen_node_are_no_signs_of_life() -> None:
    # CiA 301: emergencies on 0x080 + n, answers to service data requests on 0x580 + n
    for identifier, cyclic in ((0x085, False), (0x585, False), (0x185, True), (0x705, True)):
        key = StreamKey(channel=0, extended=False, id=identifier)
        assert can_be_cyclic(key, canopen=True) is cyclic
        assert can_be_cyclic(key)


def test_identifiers_that_vanish_and_return_together_are_one_controller() -> None:
    maker = Maker()
    mine = [
        maker.cyclic(identifier, period * MS, UNTIL_NS, extended=False)
        for identifier, period in ((0x1D0, 20), (0x2D0, 100))
    ]
    other = maker.cyclic(0x300, 50 * MS, UNTIL_NS, extended=False)
    once = health_of(merged(*(one.without(10 * S, 13 * S) for one in mine), other))
    assert names(once) == {"id 0x1D0", "id 0x2D0", "id 0x300"}  # once may be chance
    block = merged(*(one.without(10 * S, 13 * S).without(20 * S, 21 * S) for one in mine), other)
    health = health_of(block)
    assert names(health) == {"id 0x1D0", "id 0x300"}
    incident, _ = health.incidents
    assert (incident.kind, incident.controllers) == (IncidentKind.DROPOUT, ("id 0x1D0",))
    assert len(incident.losses) == 1


def test_identifiers_that_never_vanish_stay_alone() -> None:
    maker = Maker()
    block = merged(*(maker.cyclic(identifier, 20 * MS, UNTIL_NS, extended=False) for identifier in (0x1D0, 0x2D0)))
    assert names(health_of(block)) == {"id 0x1D0", "id 0x2D0"}


def test_a_silence_of_the_whole_bus_groups_nobody() -> None:
    maker = Maker()
    block = merged(
        *(
            maker.cyclic(identifier, 20 * MS, UNTIL_NS, extended=False).without(10 * S, 13 * S)
            for identifier in (0x1D0, 0x2D0, 0x300)
        )
    )
    health = health_of(block)
    assert len(names(health)) == 3
    assert [incident.kind for incident in health.incidents] == [IncidentKind.BUS_SILENCE]


def test_identifiers_part_when_one_vanishes_without_the_other() -> None:
    both = ((5 * S, 6 * S), (10 * S, 12 * S))
    more = (*both, (20 * S, 22 * S))
    together = [UnownedStream(row=row, deadline_ns=50 * MS, losses=both) for row in (1, 2)]
    assert group_by_common_loss(together, 30 * S) == [[1, 2]]
    apart = [
        UnownedStream(row=1, deadline_ns=50 * MS, losses=both),
        UnownedStream(row=2, deadline_ns=50 * MS, losses=more),
    ]
    assert group_by_common_loss(apart, 30 * S) == [[1], [2]]


def test_a_map_names_controllers_by_address_by_node_and_by_identifier() -> None:
    maker = Maker()
    specs = (
        ControllerSpec(name="hopper", identity=Identity(address=0x31)),
        ControllerSpec(name="lift", identity=Identity(node_id=5)),
        ControllerSpec(
            name="broom",
            expects=(ExpectedStream(id=0x2D0, extended=False, period_ns=20 * MS, period_from=PeriodFrom.MAP),),
        ),
    )
    block = merged(
        maker.cyclic(0x18FF0131, 20 * MS, UNTIL_NS),
        maker.cyclic(0x185, 20 * MS, UNTIL_NS, extended=False),
        maker.cyclic(0x2D0, 20 * MS, UNTIL_NS, extended=False),
    )
    health = health_of(block, specs)
    assert names(health) == {"hopper", "lift", "broom"}
    assert named(health, "broom").streams[0].period_from is PeriodFrom.MAP
    assert named(health, "hopper").streams[0].period_from is PeriodFrom.LEARNT


def test_a_map_names_a_controller_by_the_name_that_it_claims() -> None:
    # NAME 0xC03C82001A6F423F, from a maker's published manual, claimed with 0x18EEFF21
    name = bytes.fromhex("3F426F1A00823CC0")
    spec = ControllerSpec(name="keypad", identity=Identity(can_name=0xC03C82001A6F423F))
    block = merged(Maker().cyclic(0x18FF0121, 20 * MS, UNTIL_NS), at(0x18EEFF21, 10 * MS, name))
    keypad = named(health_of(block, (spec,)), "keypad")
    assert (keypad.identity.address, keypad.identity.can_name) == (0x21, 0xC03C82001A6F423F)
    unnamed = named(health_of(block), "address 0x21")
    assert unnamed.identity.can_name == 0xC03C82001A6F423F


def test_a_map_may_name_the_channel_as_the_capture_does() -> None:
    channels = ChannelTable()
    left, right = channels.number("left"), channels.number("right")
    spec = ControllerSpec(name="hopper", channel="right", identity=Identity(address=0x31))
    maker = Maker()
    watch = HealthWatch((spec,), channels=channels)
    watch.feed(merged(*(maker.cyclic(0x18FF0131, 20 * MS, UNTIL_NS, channel=channel) for channel in (left, right))))
    health = watch.close()
    assert named(health, "hopper").channel == right
    assert named(health, "address 0x31").channel == left


def test_the_same_address_on_another_channel_is_another_controller() -> None:
    maker = Maker()
    block = merged(*(maker.cyclic(0x18FF0131, 20 * MS, UNTIL_NS, channel=channel) for channel in (0, 1)))
    assert names(health_of(block)) == {"address 0x31", "address 0x31 on 1"}


def test_a_database_gives_controllers_by_sender_with_their_cycle_times() -> None:
    def message(name: str, frame_id: int, sender: str, cycle_ns: int = 0, by_group: bool = False) -> Message:
        return Message(
            name=name,
            frame_id=frame_id,
            extended=frame_id > 0x7FF,
            length=8,
            senders=(sender,) if sender else (),
            cycle_ns=cycle_ns,
            by_group=by_group,
        )

    database = Database(
        [
            message("HopperStatus", 0x18FF3131, "Hopper", 100 * MS, by_group=True),
            message("HopperLoad", 0x18FF3231, "Hopper", by_group=True),
            message("EngineSpeed", 0x0CF004FE, "Engine", 20 * MS, by_group=True),  # dummy source address
            message("BroomStatus", 0x2D0, "Broom", 50 * MS),
            message("Orphan", 0x2D1, ""),
        ]
    )
    hopper, broom = specs_from_database(database)
    assert (hopper.name, hopper.identity) == ("Hopper", Identity(sender="Hopper", address=0x31))
    assert [(stream.id, stream.period_ns) for stream in hopper.expects] == [(0x18FF3131, 100 * MS), (0x18FF3231, None)]
    assert (broom.name, broom.expects[0].period_from) == ("Broom", PeriodFrom.DATABASE)


def test_a_wrong_period_in_a_database_accuses_nobody() -> None:
    expects = (ExpectedStream(id=0x18FF0131, extended=True, period_ns=10 * MS, period_from=PeriodFrom.DATABASE),)
    spec = ControllerSpec(name="hopper", identity=Identity(address=0x31), expects=expects)
    maker = Maker()
    block = merged(maker.cyclic(0x18FF0131, 500 * MS, UNTIL_NS), maker.cyclic(0x18FF0142, 20 * MS, UNTIL_NS))
    health = health_of(block, (spec,))
    assert of_kind(health, IncidentKind.DROPOUT, IncidentKind.LATE) == []
    assert named(health, "hopper").streams[0].period_ns == 10 * MS
