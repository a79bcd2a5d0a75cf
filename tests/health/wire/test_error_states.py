"""Error states in words; the bits are those of Linux, can/error.h."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.wire.error_state import ErrorStates

MS = 1_000_000


def messages(entries: list[tuple[int, int, dict[int, int]]]) -> FrameBlock:
    """Build error-message frames from (ms, class bits, {byte: value})."""
    n = len(entries)
    data = np.zeros((n, 8), np.uint8)
    for row, (_, _, detail) in enumerate(entries):
        for byte, value in detail.items():
            data[row, byte] = value
    return FrameBlock(
        t_ns=np.array([ms * MS for ms, _, _ in entries], np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.array([bits for _, bits, _ in entries], np.uint32),
        flags=np.full(n, FrameFlag.ERROR, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=data,
    )


def states(entries: list[tuple[int, int, dict[int, int]]]) -> list[tuple[int, str]]:
    collected = ErrorStates()
    collected.feed(messages(entries))
    return [(t_ns // MS, words) for t_ns, words in collected.states(0)]


@pytest.mark.parametrize(
    ("bits", "detail", "word"),
    [
        (0x40, {}, "bus-off"),
        (0x100, {}, "restarted"),
        (0x20, {}, "no acknowledge"),
        (0x4, {1: 0x01}, "lost in the laptop"),
        (0x4, {1: 0x10}, "error passive, receiving"),
        (0x4, {1: 0x20}, "error passive, transmitting"),
        (0x4, {1: 0x04}, "error warning"),
        (0x4, {1: 0x40}, "error active again"),
        (0x10, {4: 0x04}, "CAN-H: no wire"),
        (0x10, {4: 0x70}, "CAN-L: short to ground"),
        (0x10, {4: 0x80}, "CAN-L: short to CAN-H"),
    ],
)
def test_a_state_is_told_in_words(bits: int, detail: dict[int, int], word: str) -> None:
    ((_, words),) = states([(5, bits, detail)])
    assert words.startswith(word)


def test_a_bus_error_is_counted_elsewhere_and_is_no_state() -> None:
    assert states([(5, 0x88, {2: 0x04, 3: 0x08})]) == []


@pytest.mark.parametrize(
    ("detail", "words"),
    [
        ({2: 0x01}, ["bit error"]),
        ({2: 0x08}, ["bit error"]),
        ({2: 0x02}, ["form error"]),
        ({2: 0x04, 3: 0x08}, ["stuff error"]),
        ({3: 0x08}, ["CRC error"]),
        ({3: 0x18}, ["CRC error"]),
        ({3: 0x19}, ["acknowledge error"]),
        ({}, []),
    ],
)
def test_bus_errors_are_counted_by_kind(detail: dict[int, int], words: list[str]) -> None:
    """Linux header can/error.h: CAN_ERR_PROT in the class, the kind in the second byte, the place in the third."""
    collected = ErrorStates()
    collected.feed(messages([(5, 0x88, detail), (9, 0x80, detail)]))
    collected.feed(messages([(20, 0x88, detail)]))
    assert [(kind.words, kind.n, kind.first_ns, kind.last_ns) for kind in collected.kinds(0)] == [
        (one, 2, 5 * MS, 20 * MS) for one in words
    ]


def test_the_most_that_the_error_counters_stood_at_is_kept() -> None:
    """Linux header can/error.h: CAN_ERR_CNT 0x200, sending in byte 6, receiving in byte 7."""
    collected = ErrorStates()
    assert collected.counters(0) is None
    collected.feed(messages([(1, 0x204, {1: 0x04, 6: 3, 7: 96}), (2, 0x204, {1: 0x40, 6: 12, 7: 0})]))
    assert collected.counters(0) == (12, 96)


def test_a_state_that_repeats_thousands_of_times_is_told_once() -> None:
    assert len(states([(ms, 0x20, {}) for ms in range(0, 5000, 2)])) == 1


def test_a_state_that_comes_again_later_is_told_again() -> None:
    told = states([(0, 0x40, {}), (100, 0x100, {}), (2500, 0x40, {})])
    assert [(ms, words.split()[0]) for ms, words in told] == [(0, "bus-off"), (100, "restarted"), (2500, "bus-off")]


def test_two_states_in_one_message_are_both_told() -> None:
    assert [words for _, words in states([(0, 0x44, {1: 0x20})])] == ["bus-off", "error passive, transmitting"]


def test_a_storm_of_states_is_bounded_and_counted() -> None:
    collected = ErrorStates()
    collected.feed(messages([(2000 * n, 0x40, {}) for n in range(1500)]))
    assert len(collected.states(0)) == 1000
    assert collected.n_beyond(0) == 500


entries = st.lists(
    st.tuples(st.integers(0, 900), st.sampled_from([0x40, 0x100, 0x20, 0x4, 0x88]), st.sampled_from([0, 1, 0x30])),
    min_size=1,
    max_size=30,
)


@given(raw=entries, cut=st.integers(0, 30))
@settings(max_examples=60)
def test_cutting_anywhere_gives_the_same_states(raw: list[tuple[int, int, int]], cut: int) -> None:
    ms = np.cumsum([step for step, _, _ in raw]).tolist()
    block = messages([(t, bits, {1: detail}) for t, (_, bits, detail) in zip(ms, raw, strict=True)])
    whole, pieces = ErrorStates(), ErrorStates()
    whole.feed(block)
    pieces.feed(block.slice(0, min(cut, len(block))))
    pieces.feed(block.slice(min(cut, len(block)), len(block)))
    assert whole.states(0) == pieces.states(0)
