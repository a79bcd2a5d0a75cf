"""Which signs are believed and what the least start is, on both sides of each limit, on streams made by hand.

The limits are those of the module's own constants: 200 ms with an address and 150 ms without, 5 s, 1.5 periods.
"""

from dataclasses import replace

import pytest

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.least_start import believed_signs, least_start_ns
from busdoc.machine.controller_spec import Identity
from tests.health.presence.made_streams import MS, S, controller, silence, stream

UNTIL_NS = 100 * S
CLAIM, BOOT, LAST = SignKind.ADDRESS_CLAIM, SignKind.BOOT_UP, SignKind.HEARTBEAT_LAST


def sign(t_ns: int, kind: SignKind = CLAIM, *, asked: bool = False) -> Sign:
    return Sign(t_ns=t_ns, channel=0, kind=kind, address=0x31, asked=asked)


def made(
    *streams: CyclicStream, signs: tuple[Sign, ...] = (), address: int | None = 0x31, least_ns: int = 200 * MS
) -> JudgedController:
    one = controller(streams=streams)
    one.signs, one.identity, one.least_start_ns = list(signs), Identity(address=address), least_ns
    return one


def is_believed(t_ns: int, *streams: CyclicStream, kind: SignKind = CLAIM, least_ns: int = 200 * MS) -> bool:
    (told,) = believed_signs(made(*streams, signs=(sign(t_ns, kind),), least_ns=least_ns), UNTIL_NS)
    assert replace(told, asked=False) == sign(t_ns, kind)
    return not told.asked


# The least start


def test_without_a_start_to_learn_from_the_floor_is_that_of_its_kind() -> None:
    begins = stream(first_ns=10 * S + 400 * MS)
    claimed = sign(10 * S)
    assert least_start_ns(made(begins, signs=())) == 200 * MS
    assert least_start_ns(made(signs=(claimed,))) == 200 * MS
    assert least_start_ns(made(begins, signs=(), address=None)) == 150 * MS
    assert least_start_ns(made(begins, signs=(claimed,), address=None)) == 400 * MS


@pytest.mark.parametrize(
    ("after_ns", "least_ns"),
    [
        (-1, 200 * MS),
        (0, 200 * MS),
        (100 * MS, 200 * MS),  # the floor is longer
        (300 * MS, 300 * MS),
        (S - 1, S - 1),
        (S, 200 * MS),  # a second later it is no part of the start
    ],
)
def test_its_own_start_takes_from_its_first_word_to_its_first_frame(after_ns: int, least_ns: int) -> None:
    streams = (stream(first_ns=10 * S + after_ns), stream(first_ns=20 * S, row=1))
    assert least_start_ns(made(*streams, signs=(sign(10 * S),))) == least_ns


def test_an_answer_or_a_farewell_is_no_first_word() -> None:
    begins = stream(first_ns=10 * S + 600 * MS)
    asked = sign(10 * S, asked=True)
    assert least_start_ns(made(begins, signs=(asked, sign(10 * S + 100 * MS)))) == 500 * MS
    assert least_start_ns(made(begins, signs=(asked,))) == 200 * MS
    assert least_start_ns(made(begins, signs=(sign(10 * S, LAST), sign(10 * S + 100 * MS)))) == 200 * MS


# What is believed without asking the streams


def test_signs_with_the_first_frames_farewells_and_answers_are_left_as_they_are() -> None:
    beats = stream()
    assert is_believed(5 * S, beats)
    assert not is_believed(5 * S + 1, beats)
    assert is_believed(50 * S, beats, kind=LAST)
    answered = sign(50 * S, asked=True)
    assert believed_signs(made(beats, signs=(answered, sign(3 * S))), UNTIL_NS) == [answered, sign(3 * S)]


# A beat that was missed


@pytest.mark.parametrize(("lasts_ns", "believed"), [(200 * MS, True), (200 * MS - 1, False)])
def test_a_claim_needs_a_pause_of_no_less_than_a_start(lasts_ns: int, believed: bool) -> None:
    paused = stream(silence(30 * S, 30 * S + lasts_ns))
    assert is_believed(30 * S + 100 * MS, paused) is believed


@pytest.mark.parametrize(("lasts_ns", "believed"), [(300 * MS, False), (300 * MS + 1, True)])
def test_a_beat_is_missed_after_more_than_a_period_and_a_half(lasts_ns: int, believed: bool) -> None:
    paused = stream(silence(30 * S, 30 * S + lasts_ns), period_ns=200 * MS)
    assert is_believed(30 * S + 100 * MS, paused) is believed


def test_a_sign_belongs_to_a_pause_from_its_beginning_to_five_seconds_and_a_period_after_it() -> None:
    paused = stream(silence(30 * S, 31 * S))
    assert not is_believed(30 * S, paused)
    assert is_believed(30 * S + 1, paused)
    assert is_believed(36 * S + 100 * MS, paused)
    assert not is_believed(36 * S + 100 * MS + 1, paused)
    lasts = stream(silence(90 * S, None), last_ns=90 * S)
    assert is_believed(95 * S, lasts)


def test_a_stream_that_began_with_the_sign_says_nothing_of_the_time_before() -> None:
    later = stream(silence(50 * S, 51 * S), first_ns=50 * S)
    assert not is_believed(50 * S, later)
    assert is_believed(50 * S + 1, later)


# Other streams


@pytest.mark.parametrize(("slowest_ns", "believed"), [(199 * MS, False), (200 * MS, True)])
def test_a_stream_that_beat_all_through_it_clears_it_where_it_beats_fast_enough(
    slowest_ns: int, believed: bool
) -> None:
    paused = stream(silence(30 * S, 30 * S + 300 * MS))
    other = stream(row=1, period_ns=slowest_ns, deadline_ns=S)
    assert is_believed(30 * S + 100 * MS, paused, other) is believed


@pytest.mark.parametrize(("from_ms", "to_ms", "believed"), [(100, 300, True), (101, 300, False), (100, 299, False)])
def test_of_two_streams_that_paused_what_they_share_counts(from_ms: int, to_ms: int, believed: bool) -> None:
    first = stream(silence(30 * S, 30 * S + 300 * MS))
    second = stream(silence(30 * S + from_ms * MS, 30 * S + to_ms * MS), row=1)
    assert is_believed(30 * S + 150 * MS, first, second) is believed


def test_the_longest_pause_counts_and_one_that_lasts_is_cut_by_the_other() -> None:
    twice = stream(silence(30 * S, 30 * S + 160 * MS), silence(31 * S, 31 * S + 220 * MS))
    assert is_believed(31 * S + 300 * MS, twice)
    lasts = stream(silence(30 * S, None), last_ns=30 * S)
    back = stream(silence(30 * S, 30 * S + 190 * MS), row=1)
    assert not is_believed(30 * S + 100 * MS, lasts, back)


# Streams whose pauses are not all known


@pytest.mark.parametrize(("count", "believed"), [(699, True), (700, False)])
def test_where_the_pauses_of_a_stream_are_not_all_known_a_claim_is_believed(count: int, believed: bool) -> None:
    # 1,000 periods of running; seven frames in ten are enough to know
    assert is_believed(50 * S, stream(count=count)) is believed
    # a second of known silence is none of it
    known = stream(silence(70 * S, 71 * S), count=693)
    assert not is_believed(50 * S, known)
    assert is_believed(50 * S, stream(silence(70 * S, 71 * S), count=692))
    lasts = stream(silence(90 * S, None), count=630, last_ns=100 * S)
    assert not is_believed(50 * S, lasts)
    # nor is the time before it began
    assert not is_believed(50 * S, stream(first_ns=20 * S, count=560))
    assert is_believed(50 * S, stream(first_ns=20 * S, count=559))


# What is sent at a start only


@pytest.mark.parametrize("kind", [BOOT, SignKind.HEARTBEAT_FIRST])
@pytest.mark.parametrize(("slowest_ns", "believed"), [(133 * MS, False), (134 * MS, True)])
def test_a_boot_up_is_believed_unless_a_stream_that_should_have_paused_went_on(
    kind: SignKind, slowest_ns: int, believed: bool
) -> None:
    # one and a half periods against the least start of 200 ms
    assert is_believed(50 * S, stream(period_ns=slowest_ns), kind=kind) is believed
    assert is_believed(50 * S, stream(period_ns=S), kind=kind)
    assert not is_believed(50 * S, stream(period_ns=S, slowest_ns=133 * MS), kind=kind)
    # one that should have paused is enough, whatever the others tell
    assert not is_believed(50 * S, stream(period_ns=100 * MS), stream(row=1, period_ns=S), kind=kind)
