"""Several live buses as one source: one order of time, what is sure, what does not open, and the rate found."""

import threading
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.bus.adapter import OpenAdapter, can_be_tried, open_adapter
from busdoc.capture.bus.address import USUAL_BITRATES, BusAddress, parse_bus
from busdoc.capture.bus.bitrate import open_at_found_bitrate
from busdoc.capture.bus.buses import LiveBuses
from busdoc.capture.bus.listener import BusListener, Heard
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import RecorderGap
from busdoc.errors import BusError, InputError
from tests.capture.live_doubles import MS, SECOND, START_NS, ScriptedAdapter, ScriptedOpener, TestClock, address, frame

LOST = can.CanOperationError("the device is gone")


def two_buses(clock: TestClock) -> tuple[LiveBuses, ScriptedAdapter, ScriptedAdapter]:
    adapters = {"can0": ScriptedAdapter(clock), "can1": ScriptedAdapter(clock)}

    def opener(asked: BusAddress) -> OpenAdapter:
        if asked.channel not in adapters:
            raise BusError(f"{asked.name} does not open: no such device.")
        return OpenAdapter(
            adapter=adapters[asked.channel], interface="virtual", bitrate=None, listen_only=None, note=""
        )

    source = LiveBuses([address("virtual:can0"), address("virtual:can1")], clock=clock, opener=opener, threads=False)
    source.start()
    return source, adapters["can0"], adapters["can1"]


def test_frames_of_two_buses_come_in_one_order_of_time() -> None:
    clock = TestClock()
    source, left, right = two_buses(clock)
    left.put(*[frame(START_NS + k * 10 * MS, 0x100 + k) for k in range(5)])
    right.put(*[frame(START_NS + 5 * MS + k * 10 * MS, 0x200 + k) for k in range(5)])
    clock.pass_s(0.05)
    for _ in range(8):
        source.turn()
    frames = source.take().frames
    assert frames.t_ns.tolist() == [START_NS + k * 5 * MS for k in range(10)]
    assert frames.channel.tolist() == [0, 1] * 5


def test_a_frame_that_came_in_while_its_adapter_was_still_opening_keeps_its_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = TestClock()

    def opener(_: BusAddress) -> OpenAdapter:
        clock.pass_s(0.0301234567)  # a socket is bound and hears, the driver is asked this and that
        return OpenAdapter(adapter=ScriptedAdapter(clock), interface="virtual", bitrate=None, listen_only=None, note="")

    source = LiveBuses([address("virtual:can0")], clock=clock, opener=opener, threads=False)
    source.start()
    n = 2
    frames = FrameBlock(
        t_ns=np.array([START_NS + 4 * MS, START_NS + 40 * MS], np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.full(n, 0x123, np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )
    heard = Heard(frames=frames, gaps=(), sure_until_ns=START_NS + 45 * MS, open_gap=None)
    monkeypatch.setattr(BusListener, "take", lambda _: heard)
    clock.pass_s(0.02)
    taken = source.take()
    assert taken.frames.t_ns.tolist() == frames.t_ns.tolist()
    assert taken.gaps == ()


@settings(max_examples=50)
@given(data=st.data())
def test_no_frame_is_ever_earlier_than_one_before_and_none_is_lost(data: st.DataObject) -> None:
    clock = TestClock()
    source, left, right = two_buses(clock)
    pieces: list[FrameBlock] = []
    n_put = 0
    until_ns = 0
    for _ in range(data.draw(st.integers(1, 12))):
        clock.pass_s(data.draw(st.floats(0.001, 0.2)))
        for adapter in (left, right):
            n = data.draw(st.integers(0, 4))
            waited = data.draw(st.lists(st.integers(0, 300 * MS), min_size=n, max_size=n))
            adapter.put(*[frame(clock.t_ns - ns) for ns in sorted(waited, reverse=True)])
            n_put += n
        for _ in range(data.draw(st.integers(0, 5))):
            source.turn()
        taken = source.take()
        assert taken.heard_until_ns >= until_ns
        assert not len(taken.frames) or taken.frames.t_ns[0] >= until_ns
        assert not len(taken.frames) or taken.frames.t_ns[-1] <= taken.heard_until_ns
        until_ns = taken.heard_until_ns
        pieces.append(taken.frames)
    for _ in range(n_put + 2):
        source.turn()
    source.stop()
    pieces.append(source.take().frames)
    frames = FrameBlock.concat(pieces)
    assert len(frames) == n_put
    assert (np.diff(frames.t_ns) >= 0).all()


def test_a_frame_waits_until_no_earlier_one_can_come_from_the_other_bus() -> None:
    clock = TestClock()
    source, left, right = two_buses(clock)
    source.turn()  # both wait out a turn, the right one last
    left.put(frame(clock.t_ns, 0x100))
    clock.pass_s(0.005)
    source.turn(0)
    assert len(source.take().frames) == 0  # the right bus was not read since
    right.put(frame(clock.t_ns - 6 * MS, 0x200))
    source.turn(1)
    for _ in range(3):
        source.turn()
    assert source.take().frames.id.tolist() == [0x200, 0x100]


def test_a_bus_whose_driver_hangs_holds_up_the_others_for_two_seconds_at_most() -> None:
    clock = TestClock()
    source, left, _ = two_buses(clock)
    source.take()
    clock.pass_s(0.01)
    left.put(frame(clock.t_ns))
    source.turn(0)
    waited_s = 0.0
    while not len((taken := source.take()).frames):
        clock.pass_s(0.05)
        source.turn(0)
        waited_s += 0.07
        assert waited_s < 5
    assert 2.0 <= waited_s < 2.5
    assert taken.heard_until_ns == clock.t_ns - 2 * SECOND


def test_after_a_pause_of_the_whole_program_kept_frames_have_their_own_times() -> None:
    clock = TestClock()
    source, left, right = two_buses(clock)
    left.put(frame(START_NS))
    right.put(frame(START_NS))
    source.turn()
    source.take()
    clock.pass_s(30.0)  # the program was stopped, and the buffers kept three seconds
    assert len(source.take().frames) == 0
    for adapter in (left, right):
        adapter.put(*[frame(START_NS + k * 100 * MS) for k in range(1, 31)], frame(clock.t_ns))
    gaps: list[RecorderGap] = []
    pieces: list[FrameBlock] = []
    for _ in range(40):
        source.turn()
        taken = source.take()
        gaps += taken.gaps
        pieces.append(taken.frames)
    frames = FrameBlock.concat(pieces)
    assert sorted(set(frames.t_ns.tolist())) == [START_NS + k * 100 * MS for k in range(1, 31)] + [
        START_NS + 30 * SECOND
    ]
    assert {(gap.from_ns, gap.to_ns) for gap in gaps} == {(START_NS + 3 * SECOND, START_NS + 30 * SECOND)}
    assert {gap.channel for gap in gaps} == {0, 1}


def test_while_no_adapter_answers_nothing_counts_as_heard() -> None:
    clock = TestClock()
    opener = ScriptedOpener(clock, ScriptedAdapter(clock, [frame(START_NS), LOST, LOST]))
    source = LiveBuses([address()], clock=clock, opener=opener, threads=False)
    source.start()
    for _ in range(30):
        source.turn()
    first = source.take()
    for _ in range(30):
        source.turn()
    second = source.take()
    assert len(first.frames) == 1
    assert second.heard_until_ns == first.heard_until_ns == START_NS
    assert [(gap.from_ns, gap.to_ns) for gap in second.open_gaps] == [(START_NS, clock.t_ns)]
    assert second.gaps == ()


def test_an_adapter_that_opens_later_than_another_has_a_gap_until_then() -> None:
    clock = TestClock()

    def opener(asked: BusAddress) -> OpenAdapter:
        if asked.channel == "can1":
            clock.pass_s(2.0)  # some adapters need two seconds to wake up
        return OpenAdapter(adapter=ScriptedAdapter(clock), interface="virtual", bitrate=None, listen_only=True, note="")

    source = LiveBuses([address("virtual:can0"), address("virtual:can1")], clock=clock, opener=opener, threads=False)
    source.start()
    gaps = source.take().gaps
    assert [(gap.from_ns, gap.to_ns, gap.channel) for gap in gaps] == [(START_NS, START_NS + 2 * SECOND, 1)]


def test_a_bus_that_does_not_open_is_told_in_a_sentence_and_the_others_are_let_go() -> None:
    clock = TestClock()
    adapter = ScriptedAdapter(clock)

    def opener(asked: BusAddress) -> OpenAdapter:
        if asked.channel == "can1":
            raise BusError("virtual:can1 does not open: no such device.")
        return OpenAdapter(adapter=adapter, interface="virtual", bitrate=None, listen_only=None, note="")

    source = LiveBuses([address("virtual:can0"), address("virtual:can1")], clock=clock, opener=opener, threads=False)
    with pytest.raises(InputError, match=r"virtual:can1 does not open: no such device\. Check that it is plugged in"):
        source.start()
    assert adapter.closed


def test_stopping_twice_is_allowed_and_what_was_heard_can_still_be_taken() -> None:
    clock = TestClock()
    source, left, right = two_buses(clock)
    left.put(frame(START_NS))
    source.turn()
    source.stop()
    source.stop()
    assert source.finished
    assert len(source.take().frames) == 1
    assert left.closed
    assert right.closed


class RatedBus:
    """A bus at one bit rate: at any other, an adapter sees errors only."""

    def __init__(self, clock: TestClock, rate: int | None, *, listen_only: bool | None = True) -> None:
        self.clock = clock
        self.rate = rate
        self.listen_only = listen_only
        self.tried: list[int | None] = []
        self.adapters: list[ScriptedAdapter] = []

    def __call__(self, asked: BusAddress) -> OpenAdapter:
        self.tried.append(asked.bitrate)
        adapter = ScriptedAdapter(self.clock)
        self.adapters.append(adapter)
        if asked.bitrate == self.rate:
            adapter.put(*[frame(START_NS + k * MS) for k in range(10)])
        elif self.rate is not None:
            adapter.put(*[can.Message(arbitration_id=0x80, is_error_frame=True) for _ in range(10)])
        return OpenAdapter(
            adapter=adapter, interface="slcan", bitrate=asked.bitrate, listen_only=self.listen_only, note=""
        )


def find(bus: Callable[[BusAddress], OpenAdapter], clock: TestClock) -> OpenAdapter:
    return open_at_found_bitrate(address("slcan:COM5"), opener=bus, clock=clock, stopping=threading.Event())


@pytest.mark.parametrize("rate", USUAL_BITRATES)
def test_every_usual_bit_rate_is_found_by_listening(rate: int) -> None:
    clock = TestClock()
    bus = RatedBus(clock, rate)
    opened = find(bus, clock)
    assert opened.bitrate == rate
    assert "was found by listening" in opened.note
    assert bus.tried == list(USUAL_BITRATES[: USUAL_BITRATES.index(rate) + 1])
    assert [adapter.closed for adapter in bus.adapters] == [True] * (len(bus.adapters) - 1) + [False]


def test_a_bus_that_stays_silent_at_every_rate_is_asked_for_its_rate() -> None:
    clock = TestClock()
    bus = RatedBus(clock, None)
    with pytest.raises(InputError, match=r"none at 250, 500, .* --bus slcan:COM5@250000"):
        find(bus, clock)
    assert all(adapter.closed for adapter in bus.adapters)


def test_no_rate_is_tried_with_an_adapter_that_was_not_told_to_keep_silent() -> None:
    clock = TestClock()
    bus = RatedBus(clock, 500_000, listen_only=False)
    with pytest.raises(InputError, match="a bit rate"):
        find(bus, clock)
    assert len(bus.tried) == 1
    assert bus.adapters[0].closed


def test_an_adapter_that_cannot_keep_silent_must_be_given_its_rate() -> None:
    with pytest.raises(InputError, match=r"cannot listen without taking part.*@250000"):
        can_be_tried(parse_bus("gs_usb:0"))
    assert not can_be_tried(parse_bus("gs_usb:0@250000"))


def test_the_rate_is_tried_where_an_adapter_can_keep_silent_and_nobody_gave_it() -> None:
    assert can_be_tried(parse_bus("slcan:COM5"))
    assert not can_be_tried(parse_bus("slcan:COM5@250000"))
    assert not can_be_tried(parse_bus("socketcan:can0"))  # the operating system has it


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("socketcn:can0", 'Did you mean "socketcan"'),
        ("nobody-knows", "section of python-can's configuration"),
        ("can0", "Write for example socketcan:can0"),
        ("serial:/dev/nowhere-at-all", "does not open"),
    ],
)
def test_what_cannot_be_opened_gets_a_sentence(text: str, said: str) -> None:
    with pytest.raises((InputError, BusError), match=said):
        open_adapter(parse_bus(text))


def test_a_section_of_the_configuration_file_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "can.conf"
    file.write_text("[default]\ninterface = virtual\nchannel = main\n\n[rear]\nchannel = rear-bus\n", encoding="utf-8")
    monkeypatch.setattr(can.util, "CONFIG_FILES", [str(file)])
    opened = open_adapter(parse_bus("rear"))
    opened.close()
    assert opened.interface == "virtual"
    with pytest.raises(InputError, match='Did you mean "rear"'):
        open_adapter(parse_bus("rea"))


def test_the_environment_says_which_bus_when_nothing_is_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CAN_INTERFACE", "virtual")
    monkeypatch.setenv("CAN_CHANNEL", "from-environment")
    monkeypatch.setenv("CAN_BITRATE", "125000")
    opened = open_adapter(parse_bus(""))
    opened.close()
    assert (opened.interface, opened.bitrate) == ("virtual", 125_000)
