"""What machines do when nothing is wrong is told as that, and a fault that looks nearly like it is not."""

import numpy as np

from busdoc.decode.protocols.protocol_frames import sieved
from busdoc.health.controller import ControllerState
from busdoc.health.incident import IncidentKind
from busdoc.health.phases.engine import EngineWatch
from busdoc.health.phases.recognise import recognised
from busdoc.health.summary import Health
from tests.health.made_traffic import MS, S, Sent, at, health_of, merged, named, of_kind, ticking
from tests.health.phases.made_engine import speed

A, B, C, D = 0x18FF0131, 0x18FF0142, 0x18FF0153, 0x18FF0164
FALLS = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.RESTART)


def engine(*runs: tuple[int, int], until_ns: int = 60 * S) -> Sent:
    """Tell the speed of an engine that runs in these stretches, turned by its starter for a second before each."""
    t_ns = np.arange(0, until_ns, 20 * MS, dtype=np.int64)
    rpm = np.zeros(len(t_ns))
    for from_ns, to_ns in runs:
        rpm[(t_ns >= from_ns - S) & (t_ns < from_ns)] = 180.0
        rpm[(t_ns >= from_ns) & (t_ns < to_ns)] = 900.0
        rpm[(t_ns >= to_ns) & (t_ns < to_ns + S)] = 200.0
    return speed(rpm.tolist(), every_ns=20 * MS)


def judged(*sent: Sent, power_told: bool = False) -> Health:
    block = merged(*sent)
    watch = EngineWatch()
    watch.feed(*sieved(block))
    return recognised(health_of(block), watch.engine(), power_told=power_told)


def lasting(identifier: int, offset_ns: int, until_ns: int = 60 * S) -> Sent:
    return ticking(identifier, offset_ns, until_ns=until_ns)


def test_those_that_dip_while_the_starter_turns_are_one_crank_and_no_dropouts() -> None:
    dipped = [
        lasting(one, k * 7 * MS).without(20 * S + 50 * MS, 21 * S + 600 * MS) for k, one in enumerate((A, B), start=1)
    ]
    claims = [at(0x18EEFF00 | one & 0xFF, 21 * S + 590 * MS, bytes(range(8))) for one in (A, B)]
    health = judged(engine((21 * S, 70 * S)), *dipped, *claims, lasting(C, 3 * MS))
    (crank,) = of_kind(health, IncidentKind.CRANK)
    assert set(crank.controllers) == {"address 0x31", "address 0x42"}
    assert of_kind(health, *FALLS) == []
    assert named(health, "address 0x31").dropouts == 0


def test_one_that_does_not_come_back_from_the_crank_and_a_dip_with_the_engine_running_are_dropouts() -> None:
    back = lasting(A, 7 * MS).without(20 * S + 50 * MS, 21 * S + 600 * MS).without(40 * S, 41 * S + 500 * MS)
    claims = [at(0x18EEFF31, t_ns, bytes(range(8))) for t_ns in (21 * S + 590 * MS, 41 * S + 490 * MS)]
    stays = ticking(B, 9 * MS, until_ns=20 * S + 50 * MS)
    health = judged(engine((21 * S, 70 * S)), back, *claims, stays, lasting(C, 3 * MS))
    (crank,) = of_kind(health, IncidentKind.CRANK)
    assert crank.controllers == ("address 0x31",)
    assert [one.controllers for one in of_kind(health, *FALLS)] == [("address 0x42",), ("address 0x31",)]
    assert named(health, "address 0x42").state is ControllerState.LOST


def test_those_that_leave_as_the_engine_stops_are_off_and_not_lost() -> None:
    left = [ticking(one, k * 7 * MS, until_ns=30 * S + k * S) for k, one in enumerate((A, B), start=1)]
    health = judged(engine((5 * S, 31 * S)), *left, lasting(C, 3 * MS))
    (off,) = of_kind(health, IncidentKind.POWER_DOWN)
    assert off.controllers == ("address 0x31", "address 0x42")
    assert of_kind(health, *FALLS) == []
    assert [named(health, one).state for one in ("address 0x31", "address 0x42")] == [ControllerState.OFF] * 2


def test_those_that_are_lost_for_good_while_the_engine_runs_on_are_dropouts() -> None:
    left = [ticking(one, k * 7 * MS, until_ns=30 * S + k * S) for k, one in enumerate((A, B, C), start=1)]
    health = judged(engine((5 * S, 70 * S)), *left)
    assert of_kind(health, IncidentKind.POWER_DOWN) == []
    assert {name for one in of_kind(health, *FALLS) for name in one.controllers} == {
        "address 0x31",
        "address 0x42",
        "address 0x53",
    }


def test_without_an_engine_most_must_leave_and_in_an_order() -> None:
    def gone(*ends_ns: int) -> Health:
        ends = enumerate(zip((A, B, C, D), ends_ns, strict=True))
        return judged(*(lasting(one, k * 7 * MS, end) for k, (one, end) in ends))

    ordered = gone(30 * S, 31 * S, 32 * S, 60 * S)
    assert [one.controllers for one in of_kind(ordered, IncidentKind.POWER_DOWN)] == [
        ("address 0x31", "address 0x42", "address 0x53")
    ]
    at_once = gone(30 * S, 30 * S, 30 * S, 60 * S)
    assert of_kind(at_once, IncidentKind.POWER_DOWN) == []
    few = gone(30 * S, 31 * S, 60 * S, 60 * S)
    assert of_kind(few, IncidentKind.POWER_DOWN) == []


def test_one_that_was_lost_long_before_the_others_left_did_not_leave_with_them() -> None:
    ends = enumerate(zip((A, B, C, D), (20 * S, 40 * S, 41 * S, 42 * S), strict=True))
    health = judged(*(lasting(one, k * 7 * MS, end) for k, (one, end) in ends))
    (off,) = of_kind(health, IncidentKind.POWER_DOWN)
    assert "address 0x31" not in off.controllers
    assert named(health, "address 0x31").state is ControllerState.LOST


def cycled(*leave_ns: int) -> list[Sent]:
    sent = []
    for k, (one, from_ns) in enumerate(zip((A, B, C), leave_ns, strict=True)):
        sent.append(lasting(one, k * 7 * MS).without(from_ns, 40 * S + k * 130 * MS))
        sent.append(at(0x18EEFF00 | one & 0xFF, 40 * S + k * 130 * MS - 5 * MS, bytes(range(8))))
    return sent


def test_a_machine_that_left_in_an_order_and_came_back_was_off_and_on() -> None:
    health = judged(*cycled(30 * S, 31 * S, 32 * S))
    (cycle,) = of_kind(health, IncidentKind.POWER_CYCLE)
    assert len(cycle.controllers) == 3
    assert of_kind(health, *FALLS) == []
    told = judged(*cycled(30 * S, 31 * S, 32 * S), power_told=True)  # the journal says more
    assert of_kind(told, IncidentKind.POWER_CYCLE) == []


def test_a_supply_that_takes_all_at_once_is_no_switching_off() -> None:
    health = judged(*cycled(30 * S, 30 * S, 30 * S))
    assert of_kind(health, IncidentKind.POWER_CYCLE) == []
    assert len(of_kind(health, IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)) == 1


def test_a_service_tool_that_goes_is_nobodys_dropout() -> None:
    # SAE J1939-81: 249 is the preferred address of a service tool off the machine
    tool = ticking(0x18FF01F9, 5 * MS, until_ns=30 * S)
    health = judged(lasting(A, 0), lasting(B, 7 * MS), tool)
    assert health.incidents == ()
