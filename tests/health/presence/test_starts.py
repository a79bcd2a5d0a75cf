"""Which silences a start that was announced proves to have been absences, on both sides of each limit."""

import numpy as np
import pytest

from busdoc.arrays import Int64Array
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.runs.starts import Announced, is_start, proven_absences, silences_before_starts
from busdoc.health.streams.silence import Silence
from tests.health.presence.made_streams import MS, S, silence, stream


def sign(t_ns: int, kind: SignKind = SignKind.BOOT_UP, *, asked: bool = False) -> Sign:
    return Sign(t_ns=t_ns, channel=0, kind=kind, node_id=5, asked=asked)


def before(silences: list[Silence], *signs: Sign) -> list[int]:
    """Give where the silences begin that a start ended."""
    return [one.silence.from_ns for one in silences_before_starts(silences, signs)]


def test_what_was_asked_for_and_a_goodbye_are_no_starts() -> None:
    assert is_start(sign(S))
    assert not is_start(sign(S, asked=True))
    assert not is_start(sign(S, SignKind.HEARTBEAT_LAST))
    away = [silence(20 * S, 22 * S)]
    assert before(away, sign(22 * S, asked=True), sign(22 * S + 1, SignKind.HEARTBEAT_LAST)) == []


def test_a_start_proves_the_silence_that_it_ended_whatever_the_rhythm() -> None:
    assert before([silence(20 * S, 22 * S)], sign(22 * S)) == [20 * S]
    assert before([silence(20 * S, 22 * S)], sign(22 * S + 40 * MS)) == [20 * S]


@pytest.mark.parametrize(("lasts_ns", "told"), [(200 * MS, True), (200 * MS - 1, False)])
def test_nothing_starts_anew_in_less_than_a_fifth_of_a_second(lasts_ns: int, told: bool) -> None:
    assert bool(before([silence(20 * S, 20 * S + lasts_ns)], sign(20 * S + lasts_ns))) is told


@pytest.mark.parametrize(("late_ns", "told"), [(5 * S, True), (5 * S + 1, False)])
def test_a_sign_comes_no_more_than_five_seconds_after_the_first_frame(late_ns: int, told: bool) -> None:
    assert bool(before([silence(20 * S, 22 * S)], sign(22 * S + late_ns))) is told


def test_starts_one_second_after_another_are_each_a_start() -> None:
    away = [silence(k * S, k * S + 700 * MS) for k in range(20, 30)]
    told = before(away, *(sign(k * S + 705 * MS) for k in range(20, 30)))
    assert told == [k * S for k in range(20, 30)]


def test_a_sign_that_repeats_the_start_before_proves_nothing_more() -> None:
    assert before([silence(20 * S, 22 * S)], sign(22 * S), sign(22 * S + 250 * MS)) == [20 * S]


def test_the_latest_long_silence_goes_before_the_start_and_a_short_one_is_part_of_it() -> None:
    # a word, a pause of 0.3 s, and then the claim: gone since 20 s
    assert before([silence(20 * S, 22 * S), silence(22 * S, 22 * S + 300 * MS)], sign(22 * S + 300 * MS)) == [20 * S]
    # a start that nobody announced, and one that somebody did
    assert before([silence(20 * S, 22 * S), silence(23 * S, 25 * S)], sign(25 * S)) == [23 * S]


def proven(
    found: list[Announced], silences: list[Silence], streams: list[CyclicStream], ordinary_ns: Int64Array | None
) -> list[Silence]:
    return [one.silence for one in proven_absences(found, silences, streams, ordinary_ns)]


def announced(kind: SignKind, *away: Silence) -> list[Announced]:
    return [Announced(one, sign(one.to_ns or 0, kind)) for one in away]


def test_a_claim_while_no_stream_missed_a_beat_is_no_start() -> None:
    for lasts_ns, told in ((250 * MS, False), (250 * MS + 1, True)):
        own = silence(20 * S, 20 * S + lasts_ns)
        found = announced(SignKind.ADDRESS_CLAIM, own)
        assert bool(proven(found, [own], [stream(own, period_ns=200 * MS)], None)) is told


def test_without_a_rhythm_a_boot_up_says_enough_and_a_claim_does_not() -> None:
    away = silence(20 * S, 22 * S)
    assert proven(announced(SignKind.BOOT_UP, away), [away], [], None) == [away]
    assert proven(announced(SignKind.ADDRESS_CLAIM, away), [away], [], None) == []


def test_claims_without_a_rhythm_say_enough_where_it_never_pauses_without_one() -> None:
    away = [silence(k * 10 * S, k * 10 * S + 2 * S) for k in range(1, 11)]
    claims = announced(SignKind.ADDRESS_CLAIM, *away)
    assert proven(claims, away, [], None) == away
    assert proven(claims[:2], away[:2], [], None) == []
    # as many pauses again without a claim: it just speaks seldom
    others = [silence(k * 10 * S + 5 * S, k * 10 * S + 8 * S) for k in range(1, 11)]
    assert proven(claims, sorted([*away, *others], key=lambda one: one.from_ns), [], None) == []
    # nothing but claims: who asks for them is not known
    spoken_ns = np.array([one.silence.to_ns for one in claims], np.int64)
    assert proven(claims, away, [], spoken_ns) == away
    assert proven(claims, away, [], spoken_ns[:5]) == away
    assert proven(claims, away, [], np.repeat(spoken_ns[:4], 10)) == []
