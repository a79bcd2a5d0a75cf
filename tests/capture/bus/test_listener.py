"""One bus listened to: lost and found again, silent, overrun, garbled; the clock goes on only when told."""

import errno
import struct
from dataclasses import replace
from itertools import pairwise

import can
import pytest

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.listener import BusListener
from busdoc.capture.listening import Hearing
from busdoc.errors import BusError
from tests.capture.live_doubles import (
    MS,
    SECOND,
    START_NS,
    ScriptedAdapter,
    ScriptedDrops,
    ScriptedOpener,
    TestClock,
    address,
    frame,
)

LOST = can.CanOperationError("the device is gone")


def listening(*script: can.Message | Exception) -> tuple[BusListener, ScriptedAdapter, ScriptedOpener, TestClock]:
    clock = TestClock()
    adapter = ScriptedAdapter(clock, script)
    opener = ScriptedOpener(clock, adapter)
    listener = BusListener(address(), 0, opener=opener, clock=clock)
    listener.open()
    return listener, adapter, opener, clock


def turn_until(listener: BusListener, clock: TestClock, until_ns: int) -> None:
    while clock.t_ns < until_ns:
        listener.turn()


def test_frames_come_out_as_columns_with_their_stamps() -> None:
    listener, adapter, _, clock = listening()
    clock.pass_s(0.01)
    adapter.put(
        can.Message(timestamp=START_NS / 1e9, arbitration_id=0x18FF3131, data=b"\x01\x02\x03"),
        can.Message(
            timestamp=START_NS / 1e9 + 0.001, arbitration_id=0x7FF, is_extended_id=False, is_remote_frame=True, dlc=4
        ),
        can.Message(
            timestamp=START_NS / 1e9 + 0.002, arbitration_id=5, is_fd=True, bitrate_switch=True, data=bytes(range(20))
        ),
        can.Message(timestamp=START_NS / 1e9 + 0.003, arbitration_id=0x20, is_error_frame=True, data=bytes(8)),
    )
    for _ in range(4):
        listener.turn()
    frames = listener.take().frames
    assert frames.t_ns.tolist() == [START_NS, START_NS + MS, START_NS + 2 * MS, START_NS + 3 * MS]
    assert frames.id.tolist() == [0x18FF3131, 0x7FF, 5, 0x20]
    assert frames.flags.tolist() == [0x01, 0x04, 0x01 | 0x08 | 0x10, 0x02]
    assert frames.length.tolist() == [3, 4, 20, 8]
    assert frames.payload(2) == bytes(range(20))
    assert listener.state().hearing is Hearing.HEARD


def test_error_frames_of_an_interface_with_codes_of_its_own_are_plain_bus_errors() -> None:
    clock = TestClock()
    adapter = ScriptedAdapter(clock, [can.Message(timestamp=START_NS / 1e9, arbitration_id=4, is_error_frame=True)])
    opener = ScriptedOpener(clock, adapter)
    opened = opener(address())
    listener = BusListener(address(), 0, opener=lambda _: replace(opened, interface="pcan"), clock=clock)
    listener.open()
    listener.turn()
    assert listener.take().frames.id.tolist() == [0x80]  # Linux header can/error.h: CAN_ERR_BUSERROR


def test_one_reading_that_fails_is_no_lost_adapter() -> None:
    listener, _, _, clock = listening(frame(START_NS), LOST, frame(START_NS + MS))
    for _ in range(3):
        listener.turn()
    assert len(listener.take().frames) == 2
    assert listener.state().hearing is Hearing.HEARD
    assert clock.waits == []


def test_a_lost_adapter_is_tried_again_after_half_a_second_then_twice_as_long_up_to_fifteen() -> None:
    listener, adapter, opener, clock = listening(frame(START_NS), LOST, LOST)
    turn_until(listener, clock, START_NS + 100 * SECOND)
    assert adapter.closed
    assert listener.state().hearing is Hearing.ADAPTER_LOST
    tried_s = [(t_ns - START_NS) / 1e9 for t_ns, _ in opener.tried[1:]]
    waited_s = [round(later - before, 6) for before, later in zip([0.0, *tried_s], tried_s, strict=False)]
    assert waited_s == pytest.approx([0.5, 1, 2, 4, 8, 15, 15, 15, 15, 15], abs=0.001)
    assert "the device is gone" not in listener.state().note  # the last reason counts
    assert "no such device" in listener.state().note
    assert "tried again every 15 s" in listener.state().note


def test_an_adapter_that_opens_and_then_fails_again_is_tried_less_and_less_often() -> None:
    listener, _, opener, clock = listening(frame(START_NS), LOST, LOST)
    for _ in range(20):
        opener.bring(ScriptedAdapter(clock, [LOST, LOST]))
    turn_until(listener, clock, START_NS + 60 * SECOND)
    assert 7 <= len(opener.tried) <= 9


def test_a_frame_shows_that_an_adapter_works_again() -> None:
    listener, _, opener, clock = listening(frame(START_NS), LOST, LOST)
    for _ in range(3):
        opener.bring(ScriptedAdapter(clock, [LOST, LOST]))
    opener.bring(ScriptedAdapter(clock, [frame(START_NS), LOST, LOST]))
    turn_until(listener, clock, START_NS + 9 * SECOND)
    tried_s = [(t_ns - START_NS) / 1e9 for t_ns, _ in opener.tried]
    assert tried_s[1:6] == pytest.approx([0.5, 1.5, 3.5, 7.5, 8.0], abs=0.01)


def test_the_gap_of_a_lost_adapter_goes_from_the_last_frame_to_the_first() -> None:
    listener, _, opener, clock = listening(frame(START_NS), LOST, LOST)
    again = ScriptedAdapter(clock, [frame(START_NS + 3 * SECOND)])
    clock.pass_s(0.004)
    turn_until(listener, clock, START_NS + SECOND // 4)
    open_gap = listener.take().open_gap
    assert open_gap is not None
    assert (open_gap.from_ns, open_gap.to_ns) == (START_NS, clock.t_ns)
    opener.bring(again)
    turn_until(listener, clock, START_NS + SECOND)
    heard = listener.take()
    reopened_ns = opener.tried[-1][0]
    assert [(gap.from_ns, gap.to_ns, gap.channel) for gap in heard.gaps] == [(START_NS, reopened_ns, 0)]
    assert heard.open_gap is None
    assert listener.state().hearing is Hearing.HEARD


def test_a_bus_that_is_silent_after_its_adapter_came_back_is_silent_since_then() -> None:
    listener, _, opener, clock = listening(frame(START_NS), LOST, LOST)
    opener.bring(ScriptedAdapter(clock))
    turn_until(listener, clock, START_NS + 2 * SECOND)
    heard = listener.take()
    assert (heard.gaps, heard.open_gap is None) == ((), False)  # a frame may still be on its way
    turn_until(listener, clock, START_NS + 4 * SECOND)
    heard = listener.take()
    assert [(gap.from_ns, gap.to_ns) for gap in heard.gaps] == [(START_NS, opener.tried[-1][0])]
    assert heard.open_gap is None
    assert listener.state().hearing is Hearing.SILENT


@pytest.mark.parametrize("number", [errno.ENETDOWN, errno.ENODEV])
def test_an_interface_that_is_down_or_gone_says_so_once_and_that_is_enough(number: int) -> None:
    """Linux, net/can/raw.c: a socket gives ENETDOWN or ENODEV to one reading, and then nothing at all."""
    gone = can.CanOperationError("Error receiving", number)
    listener, adapter, _, _ = listening(frame(START_NS), gone)
    listener.turn()
    listener.turn()
    assert adapter.closed
    assert listener.state().hearing is Hearing.ADAPTER_LOST


class ScriptedLink:
    """Says what keeps an interface from being heard."""

    def __init__(self) -> None:
        self.says, self.closed = "", False

    def trouble(self) -> str:
        return self.says

    def close(self) -> None:
        self.closed = True


def test_an_interface_is_looked_at_as_well_and_tried_again_every_half_second() -> None:
    clock, link = TestClock(), ScriptedLink()
    opener = ScriptedOpener(clock, ScriptedAdapter(clock, [frame(START_NS)]))
    listener = BusListener(address(), 0, opener=lambda asked: replace(opener(asked), link=link), clock=clock)
    listener.open()
    turn_until(listener, clock, START_NS + SECOND)
    link.says = "can0 was made anew"
    turn_until(listener, clock, START_NS + 6 * SECOND)
    assert link.closed
    assert "can0 was made anew" not in listener.state().note  # the last reason counts
    tried_s = [(t_ns - START_NS) / 1e9 for t_ns, _ in opener.tried[1:]]
    assert tried_s[0] < 2
    assert max(later - before for before, later in pairwise(tried_s)) < 0.7


def test_an_adapter_that_is_not_there_yet_is_waited_for_where_that_is_wished() -> None:
    clock = TestClock()
    opener = ScriptedOpener(clock, None)
    listener = BusListener(address(), 0, opener=opener, clock=clock)
    with pytest.raises(BusError):
        listener.open()
    listener.open(waits=True)
    assert listener.state().hearing is Hearing.ADAPTER_LOST
    opener.bring(ScriptedAdapter(clock, [frame(START_NS)]))
    turn_until(listener, clock, START_NS + 2 * SECOND)
    heard = listener.take()
    assert len(heard.frames) == 1
    assert [gap.from_ns for gap in heard.gaps] == [START_NS]


def test_an_absence_that_is_not_over_when_listening_ends_is_a_gap_up_to_then() -> None:
    listener, _, _, clock = listening(frame(START_NS), LOST, LOST)
    turn_until(listener, clock, START_NS + 3 * SECOND)
    listener.take()
    listener.stop()
    listener.close()
    assert [(gap.from_ns, gap.to_ns) for gap in listener.take().gaps] == [(START_NS, clock.t_ns)]
    assert listener.take().gaps == ()


def test_off_the_bus_an_adapter_hears_nothing_until_a_frame_shows_that_it_is_back() -> None:
    """Linux header can/error.h: CAN_ERR_BUSOFF 0x40, CAN_ERR_RESTARTED 0x100."""
    off = can.Message(timestamp=START_NS / 1e9 + 1, arbitration_id=0x40, is_error_frame=True, data=bytes(8))
    listener, adapter, _, clock = listening(frame(START_NS))
    listener.turn()
    turn_until(listener, clock, START_NS + SECOND)
    adapter.put(off)
    turn_until(listener, clock, START_NS + 3 * SECOND)
    heard = listener.take()
    assert heard.open_gap is not None
    assert heard.open_gap.from_ns == START_NS + SECOND
    assert listener.state().hearing is Hearing.ADAPTER_LOST
    assert "bus-off" in listener.state().note
    adapter.put(frame(START_NS + 3 * SECOND))
    listener.turn()
    assert [(gap.from_ns, gap.to_ns) for gap in listener.take().gaps] == [(START_NS + SECOND, START_NS + 3 * SECOND)]
    assert listener.state().hearing is Hearing.HEARD


def test_frames_of_a_program_on_this_computer_are_remarked_once() -> None:
    own = [frame(START_NS + k * MS) for k in range(3)]
    for message in own:
        message.is_rx = False
    listener, _, _, _ = listening(*own)
    for _ in range(3):
        listener.turn()
        listener.take()
    (remark,) = listener.state().remarks
    assert "count for no controller" in remark


def test_what_waits_in_an_adapter_is_read_before_it_is_let_go_of() -> None:
    clock = TestClock()
    adapter = ScriptedAdapter(clock, [frame(START_NS + k * MS) for k in range(600)])
    opener = ScriptedOpener(clock, adapter)
    listener = BusListener(address(), 0, opener=lambda asked: replace(opener(asked), keeps_frames=True), clock=clock)
    listener.open()
    listener.stop()
    listener.close()
    assert len(listener.take().frames) == 600


def test_the_rate_that_was_found_is_kept_when_an_adapter_comes_back() -> None:
    clock = TestClock()
    first = ScriptedAdapter(clock, [frame(START_NS), LOST, LOST])
    opener = ScriptedOpener(clock, first, ScriptedAdapter(clock))

    def finds_250k(asked: BusAddress) -> OpenAdapter:
        return replace(opener(asked), bitrate=250_000)

    listener = BusListener(address(), 0, opener=finds_250k, clock=clock)
    listener.open()
    turn_until(listener, clock, START_NS + SECOND)
    assert [asked.bitrate for _, asked in opener.tried] == [None, 250_000]


def test_a_bus_is_silent_after_a_second_without_a_frame_and_heard_again_with_the_next() -> None:
    listener, adapter, _, clock = listening(frame(START_NS))
    turn_until(listener, clock, START_NS + SECOND)
    assert listener.state().hearing is Hearing.HEARD
    turn_until(listener, clock, START_NS + SECOND + 100 * MS)
    state = listener.state()
    assert (state.hearing, state.since_ns) == (Hearing.SILENT, START_NS)
    assert listener.take().gaps == ()  # the adapter answers: this silence is the bus's own
    adapter.put(frame(clock.t_ns))
    listener.turn()
    assert listener.state().hearing is Hearing.HEARD


def test_garbled_bytes_on_a_line_are_counted_and_shown() -> None:
    listener, _, _, _ = listening(frame(START_NS), struct.error("unpack requires 4 bytes"), frame(START_NS + MS))
    for _ in range(3):
        listener.turn()
    assert "1 garbled" in listener.state().note
    assert listener.state().hearing is Hearing.HEARD


def test_an_error_frame_that_tells_of_an_overflow_shows_as_overrun_for_some_seconds() -> None:
    overflow = can.Message(
        timestamp=START_NS / 1e9, arbitration_id=0x04, is_error_frame=True, data=b"\0\x01\0\0\0\0\0\0", dlc=8
    )  # Linux header can/error.h: CAN_ERR_CRTL, CAN_ERR_CRTL_RX_OVERFLOW
    listener, adapter, _, clock = listening(overflow)
    listener.turn()
    listener.take()
    assert listener.state().hearing is Hearing.OVERRUN
    clock.pass_s(5.5)
    adapter.put(frame(clock.t_ns))
    listener.turn()
    assert listener.state().hearing is Hearing.HEARD


def test_frames_that_nobody_takes_are_dropped_at_a_limit_and_that_is_a_gap() -> None:
    clock = TestClock()
    adapter = ScriptedAdapter(clock, [frame(START_NS + k * MS) for k in range(30)])
    listener = BusListener(address(), 0, opener=ScriptedOpener(clock, adapter), clock=clock, most_waiting=10)
    listener.open()
    for _ in range(30):
        clock.pass_s(0.001)
        listener.turn()
    heard = listener.take()
    assert len(heard.frames) == 10
    assert listener.state().hearing is Hearing.OVERRUN
    assert [(gap.from_ns, gap.to_ns) for gap in heard.gaps] == [(START_NS + 9 * MS, START_NS + 30 * MS)]


def test_a_laptop_that_slept_has_a_gap_from_the_last_frame_it_kept() -> None:
    listener, adapter, _, clock = listening(frame(START_NS))
    listener.turn()
    assert len(listener.take().frames) == 1
    kept = [frame(START_NS + k * 10 * MS) for k in range(1, 6)]  # what a buffer held before it was full
    clock.pass_s(60.0)
    adapter.put(*kept, frame(clock.t_ns))
    for _ in range(6):
        listener.turn()
    heard = listener.take()
    assert len(heard.frames) == 6
    assert [(gap.from_ns, gap.to_ns) for gap in heard.gaps] == [(START_NS + 50 * MS, START_NS + 60 * SECOND)]
    assert listener.take().gaps == ()


def test_a_pause_through_which_the_buffer_kept_everything_is_no_gap() -> None:
    listener, adapter, _, clock = listening(frame(START_NS))
    listener.turn()
    listener.take()
    clock.pass_s(1.5)
    adapter.put(*[frame(START_NS + k * 100 * MS) for k in range(1, 16)])
    for _ in range(15):
        listener.turn()
    assert listener.take().gaps == ()


def counting_drops() -> tuple[BusListener, ScriptedAdapter, ScriptedDrops, TestClock]:
    clock = TestClock()
    adapter = ScriptedAdapter(clock)
    opener = ScriptedOpener(clock, adapter)
    opener.drops = ScriptedDrops()
    listener = BusListener(address(), 0, opener=opener, clock=clock)
    listener.open()
    return listener, adapter, opener.drops, clock


def test_what_the_operating_system_dropped_lies_in_a_gap_since_the_look_before() -> None:
    listener, adapter, drops, clock = counting_drops()
    for _ in range(3):
        clock.pass_s(0.05)
        adapter.put(frame(clock.t_ns))
        listener.turn()
        listener.take()
    before_ns = clock.t_ns
    clock.pass_s(0.05)
    adapter.put(frame(clock.t_ns))
    listener.turn()
    drops.n = 7
    assert [(gap.from_ns, gap.to_ns) for gap in listener.take().gaps] == [(before_ns, clock.t_ns)]
    assert listener.state().hearing is Hearing.OVERRUN
    assert listener.take().gaps == ()


@pytest.mark.parametrize("dropped", [0, 500])
def test_a_pause_is_a_gap_only_if_the_operating_system_dropped_frames_in_it(dropped: int) -> None:
    listener, adapter, drops, clock = counting_drops()
    adapter.put(frame(START_NS))
    listener.turn()
    listener.take()
    clock.pass_s(60.0)
    drops.n = dropped
    first = listener.take()  # before the thread goes on
    adapter.put(frame(START_NS + SECOND), frame(clock.t_ns))
    for _ in range(3):
        listener.turn()
    gaps = [*first.gaps, *listener.take().gaps]
    wanted = [(START_NS + SECOND, START_NS + 60 * SECOND)] if dropped else []
    assert [(gap.from_ns, gap.to_ns) for gap in gaps] == wanted


def stalling(*, counts: bool, sent_here: bool) -> tuple[BusListener, ScriptedAdapter, TestClock]:
    clock = TestClock()
    adapter = ScriptedAdapter(clock, [frame(START_NS)])
    opener = ScriptedOpener(clock, adapter)
    opener.drops, opener.sent_here = ScriptedDrops() if counts else None, sent_here
    listener = BusListener(address(), 0, opener=opener, clock=clock)
    listener.open()
    listener.turn()
    listener.take()
    return listener, adapter, clock


@pytest.mark.parametrize("stall_ms", [150, 400, 900, 2000])
@pytest.mark.parametrize(
    ("counts", "sent_here", "is_gap"), [(False, False, True), (True, True, True), (True, False, False)]
)
def test_a_silence_while_this_program_had_no_processor_time_is_nobodys(
    stall_ms: int, counts: bool, sent_here: bool, is_gap: bool
) -> None:
    """Unless the operating system kept all that was sent, and who sends did not stand still as well."""
    listener, adapter, clock = stalling(counts=counts, sent_here=sent_here)
    clock.pass_s(stall_ms / 1000)
    adapter.put(frame(clock.t_ns))
    listener.turn()
    gaps = [(gap.from_ns, gap.to_ns, gap.why) for gap in listener.take().gaps]
    why = "the laptop did not listen" if stall_ms > 1000 else "the laptop did not keep up"
    assert gaps == ([(START_NS, START_NS + stall_ms * MS, why)] if is_gap else [])
    assert listener.take().gaps == ()


def test_each_of_several_stalls_is_a_gap_of_its_own_and_a_short_turn_is_none() -> None:
    listener, adapter, clock = stalling(counts=True, sent_here=True)
    for wait_s in (0.3, 0.09, 0.4):
        clock.pass_s(wait_s)
        adapter.put(frame(clock.t_ns))
        listener.turn()
    gaps = [((gap.from_ns - START_NS) // MS, (gap.to_ns - START_NS) // MS) for gap in listener.take().gaps]
    assert gaps == [(0, 300), (390, 790)]
    assert listener.state().hearing is Hearing.OVERRUN


def test_a_stall_through_which_frames_were_kept_with_their_times_is_no_gap_and_one_into_a_silence_ends_with_it() -> (
    None
):
    listener, adapter, clock = stalling(counts=True, sent_here=True)
    clock.pass_s(0.5)
    adapter.put(*[frame(START_NS + k * 50 * MS) for k in range(1, 11)])
    for _ in range(10):
        listener.turn()
    assert listener.take().gaps == ()
    clock.pass_s(0.5)
    turn_until(listener, clock, START_NS + 3 * SECOND)  # nobody sends any more: that is no stall's doing
    gaps = [((gap.from_ns - START_NS) // MS, (gap.to_ns - START_NS) // MS) for gap in listener.take().gaps]
    assert gaps == [(500, 1020)]


def test_letting_go_of_an_adapter_that_had_dropped_frames_is_no_gap() -> None:
    listener, _, drops, _ = counting_drops()
    drops.n = 7
    listener.take()
    listener.stop()
    listener.close()
    assert listener.take().gaps == ()
