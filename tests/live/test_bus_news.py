"""What a session tells of its buses: each remark once, and a return at the time it came."""

from dataclasses import replace

from busdoc.capture.listening import BusState, Hearing
from busdoc.live.event_log import EventLog
from busdoc.live.view import HappeningKind

SECOND = 1_000_000_000
BUS = BusState(name="socketcan:can0", channel=0, hearing=Hearing.HEARD, since_ns=0)


def test_each_remark_is_told_once() -> None:
    log = EventLog()
    log.buses([replace(BUS, remarks=("it takes part in the bus",))], SECOND)
    log.buses([replace(BUS, remarks=("it takes part in the bus", "the laptop's clock was set"))], 2 * SECOND)
    assert [(one.kind, one.text) for one in log.after(0)] == [
        (HappeningKind.NOTE, "socketcan:can0: it takes part in the bus"),
        (HappeningKind.NOTE, "socketcan:can0: the laptop's clock was set"),
    ]


def test_a_return_is_told_with_its_own_time_while_what_was_heard_still_ends_before_the_loss() -> None:
    log = EventLog()
    log.buses([BUS], SECOND)
    log.buses([replace(BUS, hearing=Hearing.ADAPTER_LOST, since_ns=2 * SECOND, note="can0 is down")], SECOND)
    log.buses([replace(BUS, since_ns=9 * SECOND)], SECOND)
    assert [(one.time_ns // SECOND, one.text) for one in log.after(0)] == [
        (2, "socketcan:can0: adapter lost (can0 is down)"),
        (9, "socketcan:can0: heard"),
    ]
