"""Changes of state read from the traffic, as kinds of events."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database
from busdoc.decode.database.meaning import give_meaning
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.watch import SignalWatch
from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth, StreamKey
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource
from busdoc.intermittent.precursors.state_changes import StreamSender, senders_of, signal_events
from busdoc.machine.controller_spec import Identity, PeriodFrom

MS = 1_000_000
BOOM = StreamKey(channel=0, extended=False, id=0x181)


def one_byte(name: str = "Raised", length: int = 8, unit: str = "", choices: dict[int, str] | None = None) -> Message:
    signal = Signal(name=name, start=0, length=length, little_endian=True, unit=unit, choices=choices or {})
    return give_meaning(Message(name="Boom", frame_id=0x181, extended=False, length=1, signals=(signal,)))


def frames(states: list[int], *, channel: int = 0, start: int = 0) -> FrameBlock:
    """Send a byte every millisecond."""
    n = len(states)
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = states
    return FrameBlock(
        t_ns=(np.arange(n, dtype=np.int64) + start) * MS,
        channel=np.full(n, channel, np.uint8),
        id=np.full(n, 0x181, np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.ones(n, np.uint8),
        data=data,
    )


def kinds_of(
    message: Message, states: list[int], senders: dict[StreamKey, StreamSender] | None = None
) -> dict[str, EventKind]:
    watch = SignalWatch(Database([message]))
    watch.feed(frames(states))
    kinds, left_out = signal_events(watch.each_transitions(), senders or {})
    assert left_out == ()
    return {kind.name: kind for kind in kinds}


def times_ms(kind: EventKind) -> list[int]:
    return [t_ns // MS for t_ns in kind.t_ns.tolist()]


def test_each_change_into_a_value_is_an_event_in_the_databases_words() -> None:
    found = kinds_of(one_byte(length=1, choices={0: "lowered", 1: "raised"}), [0, 0, 1, 1, 0, 1, 0])
    assert set(found) == {"Boom.Raised became 1 (raised)", "Boom.Raised became 0 (lowered)"}
    assert times_ms(found["Boom.Raised became 1 (raised)"]) == [2, 5]
    assert times_ms(found["Boom.Raised became 0 (lowered)"]) == [4, 6]
    assert found["Boom.Raised became 1 (raised)"].source is EventSource.SIGNAL
    assert found["Boom.Raised became 1 (raised)"].signal == "Boom.Raised"


def test_the_first_value_that_is_seen_is_no_change() -> None:
    assert kinds_of(one_byte(length=1), [1, 1, 1]) == {}


def test_a_signal_with_several_values_also_changes_as_such() -> None:
    found = kinds_of(one_byte(unit="V"), [12, 24, 48, 12, 24])
    assert times_ms(found["Boom.Raised changed"]) == [1, 2, 3, 4]
    assert times_ms(found["Boom.Raised became 24 V"]) == [1, 4]


def test_becoming_not_available_is_an_event_and_no_value() -> None:
    message = one_byte(length=2, choices={0: "off", 1: "on", 3: "not available"})
    found = kinds_of(message, [0, 3, 1, 3, 1, 0])
    assert times_ms(found["Boom.Raised became not available"]) == [1, 3]
    assert times_ms(found["Boom.Raised could be read again"]) == [2, 4]
    assert "Boom.Raised became 1 (on)" not in found  # it was not known to be another before
    assert times_ms(found["Boom.Raised became 0 (off)"]) == [5]


def test_a_measured_value_gives_no_events() -> None:
    assert kinds_of(one_byte(), list(range(100))) == {}


def test_a_signal_that_changed_too_often_is_left_out_and_named() -> None:
    watch = SignalWatch(Database([one_byte(length=1)]))
    watch.feed(frames([0, 1] * 5000))
    assert signal_events(watch.each_transitions(), {}) == ((), ("Boom.Raised",))


def controller(absences: list[tuple[int, int]], period_ms: int | None = 10) -> ControllerHealth:
    stream = StreamHealth(
        key=BOOM,
        frames=100,
        cyclic=True,
        period_ns=None if period_ms is None else period_ms * MS,
        jitter_ns=None,
        deadline_ns=None,
        period_from=PeriodFrom.LEARNT,
        first_ns=0,
        last_ns=0,
    )
    return ControllerHealth(
        name="boom",
        channel=0,
        identity=Identity(),
        frames=100,
        streams=(stream,),
        state=ControllerState.STEADY,
        present_ns=0,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=0,
        last_ns=0,
        absences=tuple((a * MS, b * MS) for a, b in absences),
    )


def test_what_a_controller_shows_after_it_was_away_is_no_event() -> None:
    states = [0] * 1000 + [1] * 2500 + [0] * 500  # away from 999 to 1000, as it were
    senders = senders_of([controller([(999, 1000)])])
    found = kinds_of(one_byte(length=1), states, senders)
    assert set(found) == {"Boom.Raised became 0"}
    assert found["Boom.Raised became 0"].controller == "boom"


@pytest.mark.parametrize(("period_ms", "last_settled"), [(10, True), (900, False)])
def test_a_slow_stream_may_show_itself_later_after_a_return(period_ms: int, last_settled: bool) -> None:
    senders = senders_of([controller([(0, 0), (500, 600)], period_ms)])
    times = np.array([100, 500, 501, 1600, 1601], np.int64) * MS
    assert senders[BOOM].settled(times).tolist() == [True, True, False, False, last_settled]


def test_signals_of_the_same_name_are_told_apart_by_their_sender() -> None:
    watch = SignalWatch(Database([one_byte(length=1)]))
    watch.feed(frames([0, 1, 0]))
    watch.feed(frames([0, 1, 0], channel=1, start=10))
    senders = {BOOM: StreamSender(controller="boom", returns_ns=np.empty((0, 2), np.int64))}
    kinds, _ = signal_events(watch.each_transitions(), senders)
    assert [kind.name for kind in kinds] == [
        "Boom.Raised became 0, said boom",
        "Boom.Raised became 1, said boom",
        "Boom.Raised became 0, said 0x181",
        "Boom.Raised became 1, said 0x181",
    ]


def test_cutting_the_capture_anywhere_gives_the_same_events() -> None:
    rng = np.random.default_rng(5)
    states = np.repeat(rng.integers(0, 4, 300), rng.integers(1, 9, 300)).tolist()
    block = frames(states)
    message = one_byte(length=2, choices={0: "off", 1: "on", 2: "error", 3: "not available"})
    whole, cut = SignalWatch(Database([message])), SignalWatch(Database([message]))
    whole.feed(block)
    for at in range(0, len(block), 37):
        cut.feed(block.slice(at, min(len(block), at + 37)))
        cut.summaries()
    one, other = (signal_events(watch.each_transitions(), {})[0] for watch in (whole, cut))
    assert [(kind.name, kind.t_ns.tolist()) for kind in one] == [(kind.name, kind.t_ns.tolist()) for kind in other]
    assert one
