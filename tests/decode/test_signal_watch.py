"""The watch over all signals: against frame-by-frame bookkeeping, cut anywhere, on both paths."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database
from busdoc.decode.database.meaning import give_meaning
from busdoc.decode.database.message import Message, Signal, SignalKind
from busdoc.decode.signals.signals import SignalStatus
from busdoc.decode.signals.state import FEW, Policy, policy_of
from busdoc.decode.signals.summary import SignalSummary
from busdoc.decode.signals.watch import SignalWatch
from tests.decode.naive_signals import NaiveState, watch_all
from tests.decode.random_messages import random_frames, random_message

BOTH_PATHS = pytest.mark.parametrize("compiled", [False, True], ids=["numpy", "compiled"])
Changes = list[tuple[int, int, int, int, int, str, float]]


def outcome(watch: SignalWatch, database: Database) -> tuple[tuple[SignalSummary, ...], dict[str, Changes]]:
    """Give all that a watch says, in a form that can be compared."""
    changes = {}
    for message in database.messages:
        for signal in message.signals:
            name = f"{message.name}.{signal.name}"
            found = watch.transitions(name)
            value = [repr(each) for each in found.value.tolist()]
            rows = zip(found.t_ns, found.raw, found.status, found.channel, found.id, found.label, value, strict=True)
            changes[name] = [tuple(row) for row in rows]
            changes[name].append((found.only_status, found.n_not_kept, 0, 0, 0, "", 0.0))
    return watch.summaries(), changes


def machine(seed: int, n: int = 150) -> tuple[Database, FrameBlock]:
    random = np.random.default_rng(seed)
    messages = [random_message(random, number) for number in range(int(random.integers(1, 4)))]
    return Database(messages), random_frames(random, messages, n)


def watch_whole(database: Database, block: FrameBlock, *, compiled: bool) -> SignalWatch:
    watch = SignalWatch(database, compiled=compiled)
    watch.feed(block)
    return watch


@BOTH_PATHS
@pytest.mark.parametrize("seed", range(30))
def test_summaries_equal_frame_by_frame_bookkeeping(seed: int, compiled: bool) -> None:
    database, block = machine(seed)
    find = {
        (int(channel), int(identifier), extended): message
        for channel, identifier in {(int(c), int(i)) for c, i in zip(block.channel, block.id, strict=True)}
        for extended in (False, True)
        if (message := database.find(channel, identifier, extended)) is not None
    }
    expected = watch_all(find, block)
    found = watch_whole(database, block, compiled=compiled).summaries()
    assert {(s.channel, s.id, s.extended, s.message, s.signal.name) for s in found} == set(expected)
    for summary in found:
        key = (summary.channel, summary.id, summary.extended, summary.message, summary.signal.name)
        check_summary(summary, expected[key])


def check_summary(found: SignalSummary, expected: NaiveState) -> None:
    counts = (found.valid, found.not_available, found.error, found.absent, found.reserved)
    assert counts == tuple(expected.counts[status] for status in SignalStatus)
    assert found.frames == expected.frames
    assert found.n_changes == max(0, len(expected.changes()) - 1)
    assert found.n_status_changes == max(0, len(expected.status_changes()) - 1)
    if not expected.values:
        assert found.minimum is found.maximum is found.mean is found.first_value is found.last_ns is None
        return
    assert (found.minimum, found.maximum) == (min(expected.values), max(expected.values))
    assert (found.first_value, found.last_value) == (expected.values[0], expected.values[-1])
    assert (found.first_ns, found.last_ns) == (expected.value_ns[0], expected.value_ns[-1])
    total = 0.0
    for number in expected.numbers:
        total += number
    mean = total / len(expected.numbers) * found.signal.scale + found.signal.offset
    assert found.mean == pytest.approx(mean, rel=1e-12, nan_ok=True)


@BOTH_PATHS
@pytest.mark.parametrize("step", [3000, 701])
def test_whole_frames_of_plain_numbers_equal_frame_by_frame_bookkeeping(compiled: bool, step: int) -> None:
    signals = (
        Signal(name="Counter", start=0, length=8, little_endian=True, kind=SignalKind.COUNTER),
        Signal(name="Signed", start=23, length=16, little_endian=False, signed=True, scale=-0.5, offset=3.0),
        Signal(name="Narrow", start=24, length=13, little_endian=True, scale=0.1),
        Signal(name="Wide", start=32, length=30, little_endian=True),
    )
    message = Message(name="Plain", frame_id=0x181, extended=False, length=8, signals=signals)
    random = np.random.default_rng(7)
    block = state_frames((np.arange(3000) % 256).tolist())
    data = random.integers(0, 256, (3000, 8), np.uint8)
    data[1300:1500] = data[1300]  # a stretch without a change, with a cut in it
    block = replace(block, data=data, length=np.full(3000, 8, np.uint8))
    watch = SignalWatch(Database([message]), compiled=compiled)
    for at in range(0, 3000, step):
        watch.feed(block.slice(at, min(3000, at + step)))
        watch.summaries()
    states = watch_all({(0, 0x181, False): message}, block)
    for summary in watch.summaries():
        check_summary(summary, states[0, 0x181, False, "Plain", summary.signal.name])


@BOTH_PATHS
@pytest.mark.parametrize("seed", range(30))
def test_transitions_are_the_changes_that_each_kind_of_signal_keeps(seed: int, compiled: bool) -> None:
    database, block = machine(seed)
    watch = watch_whole(database, block, compiled=compiled)
    find = {(s.channel, s.id, s.extended): database.find(s.channel, s.id, s.extended) for s in watch.summaries()}
    states = watch_all({key: message for key, message in find.items() if message is not None}, block)
    for (channel, identifier, _, message, name), state in states.items():
        signal = next(s.signal for s in watch.summaries() if s.name == f"{message}.{name}")
        policy = policy_of(signal, followed=False)
        changes = state.changes()
        n_valued = len({read.raw for _, read in changes if read.status == SignalStatus.VALID})
        if policy is Policy.STATUS or (policy is Policy.FEW_VALUED and n_valued > FEW):
            changes = state.status_changes()
        found = watch.transitions(f"{message}.{name}", channel=channel, frame_id=identifier)
        assert found.t_ns.tolist() == [t_ns for t_ns, _ in changes]
        assert found.status.tolist() == [read.status for _, read in changes]
        assert found.label == tuple(signal.label(read.raw) for _, read in changes)
        expected = np.array([read.value for _, read in changes], np.float64)
        assert np.array_equal(found.value, expected, equal_nan=True)


@settings(max_examples=60)
@given(
    seed=st.integers(0, 10**6),
    cuts=st.lists(st.integers(0, 150), max_size=8),
    asked=st.sets(st.integers(0, 8), max_size=3),
)
def test_cutting_the_capture_anywhere_gives_the_same(seed: int, cuts: list[int], asked: set[int]) -> None:
    database, block = machine(seed)
    whole = outcome(watch_whole(database, block, compiled=False), database)
    for compiled in (False, True):
        watch = SignalWatch(database, compiled=compiled)
        edges = [0, *sorted(cuts), len(block)]
        for at, (first, last) in enumerate(pairwise(edges)):
            watch.feed(block.slice(first, last))
            if at in asked:
                watch.summaries()  # which works off the frames that were gathered
        assert repr(outcome(watch, database)) == repr(whole)


def state_frames(states: list[int], *, step_ns: int = 1_000_000) -> FrameBlock:
    """Make frames of one byte each on identifier 0x181."""
    n = len(states)
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = states
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64) * step_ns,
        channel=np.zeros(n, np.uint8),
        id=np.full(n, 0x181, np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.ones(n, np.uint8),
        data=data,
    )


def one_byte(**options: object) -> Database:
    signal = Signal(name="State", start=0, length=8, little_endian=True, **options)  # type: ignore[arg-type]
    return Database([Message(name="Status", frame_id=0x181, extended=False, length=1, signals=(signal,))])


@BOTH_PATHS
def test_more_changes_than_there_is_room_for_are_counted_wherever_the_cuts_fall(compiled: bool) -> None:
    database = one_byte()
    block = state_frames([at % 2 for at in range(20_000)])
    whole = watch_whole(database, block, compiled=compiled).transitions("Status.State")
    watch = SignalWatch(database, compiled=compiled)
    for at in range(0, 20_000, 2_777):
        watch.feed(block.slice(at, min(20_000, at + 2_777)))
        watch.summaries()
    cut = watch.transitions("Status.State")
    assert len(whole) == 8192
    assert whole.n_not_kept == 20_000 - 8192 == cut.n_not_kept
    assert whole.t_ns.tolist() == cut.t_ns.tolist() == block.t_ns[:8192].tolist()


@BOTH_PATHS
@pytest.mark.parametrize("step", [30_000, 1_999])
def test_a_signal_that_turns_out_to_have_many_values_makes_room_for_changes_of_status(
    compiled: bool, step: int
) -> None:
    database = one_byte(choices={255: "not available"})
    database = Database([give_meaning(message) for message in database.messages])
    few_valued = [0, 1, 255] * 6000  # 8192 changes are kept, 5461 of them of status
    many_valued = list(range(9))
    states = few_valued + many_valued + [5, 255] * 2000
    block = state_frames(states)
    watch = SignalWatch(database, compiled=compiled)
    for at in range(0, len(block), step):
        watch.feed(block.slice(at, min(len(block), at + step)))
        watch.summaries()
    found = watch.transitions("Status.State")
    of_status = [at for at in range(len(states)) if at == 0 or (states[at] == 255) != (states[at - 1] == 255)]
    in_time = [at for at in of_status if at < 8192]
    room_from = len(few_valued) + many_valued.index(8)  # the ninth value: from here on there is room again
    later = [at for at in of_status if at >= room_from]
    kept = in_time + later[: 8192 - len(in_time)]
    assert found.t_ns.tolist() == [at * 1_000_000 for at in kept]
    assert found.only_status
    assert found.n_not_kept == len(of_status) - len(kept)


@BOTH_PATHS
def test_a_signal_that_is_followed_keeps_every_change(compiled: bool) -> None:
    watch = SignalWatch(one_byte(), follow=["Status.State"], compiled=compiled)
    watch.feed(state_frames([at % 251 for at in range(1000)]))
    found = watch.transitions("Status.State")
    assert len(found) == 1000
    assert not found.only_status


@BOTH_PATHS
def test_a_signal_with_many_values_keeps_only_changes_of_status(compiled: bool) -> None:
    watch = SignalWatch(one_byte(), compiled=compiled)
    watch.feed(state_frames(list(range(100))))
    found = watch.transitions("Status.State")
    assert found.t_ns.tolist() == [0]
    assert found.only_status


def test_labels_come_from_the_database_and_carry_the_moment() -> None:
    watch = SignalWatch(one_byte(choices={1: "RUN", 2: "FAULT"}))
    watch.feed(state_frames([1, 1, 2, 2, 3, 1]))
    found = watch.transitions("Status.State")
    assert list(zip(found.t_ns.tolist(), found.label, strict=True)) == [
        (0, "RUN"),
        (2_000_000, "FAULT"),
        (4_000_000, ""),
        (5_000_000, "RUN"),
    ]


def test_a_signal_that_no_database_has_gives_no_transitions() -> None:
    watch = SignalWatch(one_byte())
    watch.feed(state_frames([1, 2]))
    assert len(watch.transitions("Status.Nothing")) == 0


def test_a_capture_with_more_identifiers_than_any_machine_is_counted_in_bounded_memory() -> None:
    n = 70_000
    data = np.zeros((n, 8), np.uint8)
    block = FrameBlock(
        t_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.arange(n, dtype=np.uint32),
        flags=np.ones(n, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=data,
    )
    watch = SignalWatch(one_byte(), compiled=False)
    watch.feed(block)
    assert watch.summaries() == ()
    assert watch.warnings == ("4464 frames have identifiers beyond the 65,536 that are told apart; not decoded",)
