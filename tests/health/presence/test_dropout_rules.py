"""When a controller is lost, rule by rule and on both sides of each limit, on streams and silences made by hand.

Periods are 100 ms and deadlines 250 ms unless said otherwise. The limits are those of the module's own constants.
"""

import pytest

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, RecorderGaps, find_late, find_lost
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import PeriodFrom
from tests.health.presence.made_streams import MS, S, absence, silence, stream

UNTIL_NS = 100 * S
NO_GAPS = RecorderGaps()


def lost(*streams: CyclicStream, silences: list[Silence], signs_ns: tuple[int, ...] = ()) -> list[Absence]:
    return find_lost(streams, silences, signs_ns, NO_GAPS, UNTIL_NS)


def one_silence(from_ns: int, to_ns: int | None) -> tuple[CyclicStream, list[Silence]]:
    """Give a controller of one stream with one silence, and that silence as its own."""
    own = silence(from_ns, to_ns)
    return stream(own), [own]


# The recorder's gaps


def test_gaps_that_touch_or_lie_in_one_another_count_once() -> None:
    gaps = RecorderGaps([(50, 60), (10, 20), (20, 30), (12, 15), (58, 70)])
    assert gaps.spans == [(10, 30), (50, 70)]
    assert [gaps.overlap_ns(*stretch) for stretch in ((0, 100), (15, 55), (30, 50), (25, 26), (0, 10))] == [
        *(40, 20, 0, 1, 0)
    ]


# Lost


def test_a_silence_of_just_the_deadline_is_no_loss_and_a_longer_one_is() -> None:
    for lasts_ns, n in ((250 * MS, 0), (250 * MS + 1, 1)):
        one, own = one_silence(20 * S, 20 * S + lasts_ns)
        assert len(lost(one, silences=own)) == n


def test_a_silence_that_lasts_is_measured_to_the_end_of_what_was_read() -> None:
    for from_ns, n in ((UNTIL_NS - 250 * MS, 0), (UNTIL_NS - 250 * MS - 1, 1)):
        one, own = one_silence(from_ns, None)
        found = lost(one, silences=own)
        assert [(each.last_seen_ns, each.back_ns, each.steady_ns) for each in found] == [(from_ns, None, None)] * n


def test_the_own_silence_must_exceed_what_is_left_of_the_shortest_deadline() -> None:
    # the stream last came at 20 s; other frames of the controller until 20.10 s leave 150 ms of the deadline
    own = silence(20 * S, 20 * S + 400 * MS)
    other = stream(silence(20 * S, 21 * S), row=1, deadline_ns=900 * MS, slowest_ns=200 * MS)
    for lasts_ns, n in ((150 * MS, 0), (150 * MS + 1, 1)):
        silences = [silence(20 * S + 400 * MS - lasts_ns, 20 * S + 400 * MS)]
        assert len(find_lost([stream(own)], silences, (), NO_GAPS, UNTIL_NS)) == n
    assert lost(stream(own), other, silences=[silence(20 * S + 300 * MS, 20 * S + 400 * MS)]) == []


def test_the_recorders_gaps_are_taken_off_a_silence() -> None:
    one, own = one_silence(20 * S, 21 * S)
    for gap_ns, n in ((750 * MS, 0), (750 * MS - 1, 1)):
        gaps = RecorderGaps([(20 * S + 100 * MS, 20 * S + 100 * MS + gap_ns)])
        assert len(find_lost([one], own, (), gaps, UNTIL_NS)) == n


def test_a_controller_without_a_rhythm_is_never_lost() -> None:
    assert find_lost([], [silence(20 * S, 40 * S)], (), NO_GAPS, UNTIL_NS) == []


def test_one_stream_of_several_is_not_the_controller_until_five_frames_are_missed() -> None:
    quiet = stream(silence(50 * S, 60 * S), row=1, deadline_ns=900 * MS)  # elsewhere
    for lasts_ns, n in ((500 * MS - 1, 0), (500 * MS, 1)):
        own = silence(20 * S, 20 * S + lasts_ns)
        assert len(lost(stream(own), quiet, silences=[own])) == n


def test_one_stream_of_several_is_the_controller_only_where_little_else_was_heard() -> None:
    quiet = stream(row=1, period_ns=8 * S, deadline_ns=20 * S)
    own = silence(20 * S, 30 * S)
    for heard_until_ns, n in ((24 * S, 1), (24 * S + 1, 0)):  # 60 % of the ten seconds
        assert len(lost(stream(own), quiet, silences=[silence(heard_until_ns, 30 * S)])) == n
    # the silence of the stream goes on after the controller was heard again: its whole length counts
    longer = silence(20 * S, 40 * S)
    assert lost(stream(longer), quiet, silences=[silence(20 * S, 30 * S)]) == []
    lasting = silence(UNTIL_NS - 20 * S, None)
    assert lost(stream(lasting), quiet, silences=[silence(UNTIL_NS - 20 * S, UNTIL_NS - 10 * S)]) == []


def test_an_announced_start_proves_that_the_controller_was_gone_with_one_stream_alone() -> None:
    quiet = stream(row=1, deadline_ns=900 * MS)
    own = silence(20 * S, 20 * S + 400 * MS)  # not five frames
    one = stream(own)
    assert lost(one, quiet, silences=[own]) == []
    for sign_ns, n in ((20 * S, 0), (20 * S + 1, 1), (20 * S + 650 * MS, 1), (20 * S + 650 * MS + 1, 0)):
        assert len(lost(one, quiet, silences=[own], signs_ns=(5 * S, sign_ns))) == n
    # while the stream itself is still silent, the announcement may come later
    longer = silence(20 * S, 22 * S)
    partly = [silence(20 * S, 20 * S + 400 * MS)]
    for sign_ns, n in ((22 * S, 1), (22 * S + 1, 0)):
        assert len(lost(stream(longer), quiet, silences=partly, signs_ns=(sign_ns,))) == n


def test_two_streams_past_their_deadlines_are_the_controller() -> None:
    own, other = silence(20 * S, 20 * S + 300 * MS), silence(20 * S - 20 * MS, 20 * S + 320 * MS)
    (found,) = lost(stream(own), stream(other, row=1), silences=[own])
    assert [one.row for one, _ in found.streams] == [0, 1]
    assert found.onset_ns == 20 * S + 80 * MS  # the second stream was due first
    assert lost(stream(own), stream(silence(20 * S, 20 * S + 350 * MS), row=1, deadline_ns=S), silences=[own]) == []


def test_a_slow_stream_that_misses_no_frame_shows_that_only_the_others_had_stopped() -> None:
    """Two fast streams stop for good at 50 s; the third comes each second, so that the controller itself is quiet."""
    fast = [stream(silence(50 * S, None), row=row, last_ns=50 * S) for row in (0, 1)]
    slow = stream(row=2, period_ns=S, deadline_ns=2500 * MS)
    quiet = [silence((50 + k) * S, (51 + k) * S) for k in range(40)]
    assert lost(*fast, slow, silences=quiet) == []
    late = find_late([*fast, slow], [], NO_GAPS, UNTIL_NS, quiet)
    assert [(one.last_seen_ns, one.back_ns) for one in late] == [(50 * S, None)]
    # a start that was announced, a slow frame that was missed, or others that are back soon: it was gone
    assert len(lost(*fast, slow, silences=quiet[:1], signs_ns=(51 * S,))) == 1
    assert len(lost(*fast, stream(silence(49 * S, None), row=2, last_ns=49 * S), silences=[silence(50 * S, None)])) == 1
    back = [stream(silence(50 * S, 51 * S + 20 * MS), row=row) for row in (0, 1)]
    assert len(lost(*back, slow, silences=quiet[:1])) == 1


def test_a_slow_stream_that_was_silent_too_belongs_to_the_loss_though_its_deadline_had_not_passed() -> None:
    own, slow = silence(20 * S, 21 * S), silence(19 * S, 23 * S)
    (found,) = lost(stream(own), stream(slow, row=1, period_ns=2 * S, deadline_ns=5 * S), silences=[own])
    assert [one.row for one, _ in found.streams] == [0, 1]
    lasting = silence(UNTIL_NS - S, None)
    (open_end,) = lost(
        stream(lasting), stream(silence(UNTIL_NS - 2 * S, None), row=1, deadline_ns=5 * S), silences=[lasting]
    )
    assert [one.row for one, _ in open_end.streams] == [0]


def test_the_first_frame_missed_is_that_of_the_stream_that_was_due_first() -> None:
    own = silence(20 * S, 21 * S)  # the controller's own silence; the streams stopped before or then
    early = stream(silence(20 * S - 230 * MS, 21 * S), jitter_ns=7 * MS, deadline_ns=260 * MS)
    late = stream(silence(20 * S - 10 * MS, 21 * S), row=1, jitter_ns=3 * MS)
    (found,) = lost(early, late, silences=[own])
    assert (found.onset_ns, found.deadline_ns, found.jitter_ns) == (20 * S + 70 * MS, 260 * MS, 7 * MS)
    just = stream(silence(20 * S - 200 * MS, 21 * S))
    (found,) = lost(just, silences=[own])
    assert found.onset_ns == 20 * S + 100 * MS  # due at the last frame itself: that one came from another stream


def test_the_period_just_before_counts_where_it_follows_the_engine() -> None:
    before_ns = [20 * S - 30 * MS * k for k in range(6)][::-1]
    own = silence(20 * S, 21 * S, before_ns=before_ns)
    (found,) = lost(stream(own), silences=[own])
    assert found.onset_ns == 20 * S + 30 * MS


# In step again


def test_a_controller_is_in_step_when_every_stream_has_come_twice_within_its_deadline() -> None:
    fast = silence(20 * S, 25 * S, after_ns=[25 * S, 25 * S + 400 * MS, 25 * S + 650 * MS, 25 * S + 700 * MS])
    slow = silence(20 * S, 25 * S, after_ns=[25 * S + 10 * MS, 25 * S + 900 * MS])
    both = [stream(fast), stream(slow, row=1, period_ns=S, deadline_ns=2 * S)]
    (found,) = lost(*both, silences=[fast])
    assert found.steady_ns == 25 * S + 900 * MS
    (found,) = lost(both[0], silences=[fast])
    assert found.steady_ns == 25 * S + 650 * MS  # the second interval is the first within 250 ms, and just that
    once = silence(20 * S, 25 * S, after_ns=[25 * S])
    (found,) = lost(both[0], stream(once, row=1), silences=[fast])
    assert (found.back_ns, found.steady_ns) == (25 * S, None)


def flicker(*, gap_ns: int) -> tuple[CyclicStream, list[Silence]]:
    """Give a controller that is lost twice; it comes into step 100 ms after its first return."""
    after_ns = [25 * S, 25 * S + 100 * MS]
    first = silence(20 * S, 25 * S, after_ns=after_ns)
    second = silence(25 * S + gap_ns, 40 * S, after_ns=[40 * S, 40 * S + 100 * MS])
    return stream(first, second), [first, second]


def test_a_controller_that_is_lost_again_before_it_was_in_step_never_was() -> None:
    for gap_ns, steady_ns in ((100 * MS, 25 * S + 100 * MS), (100 * MS - 1, None)):
        one, silences = flicker(gap_ns=gap_ns)
        found = lost(one, silences=silences)
        assert [each.steady_ns for each in found] == [steady_ns, 40 * S + 100 * MS]
        assert [each.last_seen_ns for each in found] == [20 * S, 25 * S + gap_ns]


def test_a_word_in_between_is_part_of_the_same_loss_unless_the_controller_stays_away_for_long_again() -> None:
    # an event frame at 22 s says that it is back; its cyclic stream goes on being silent
    for to_ns, n in ((25 * S, 1), (25 * S + 1, 2)):
        own = silence(20 * S, to_ns)
        found = lost(stream(own), silences=[silence(20 * S, 22 * S), silence(22 * S, to_ns)])
        assert len(found) == n
        assert found[0].back_ns == 22 * S
    # a slow stream may take its own deadline
    own = silence(20 * S, 31 * S)
    slow = stream(own, period_ns=2 * S, deadline_ns=5 * S)
    for from_ns, n in ((26 * S, 1), (26 * S - 1, 2)):
        assert len(lost(slow, silences=[silence(20 * S, from_ns), silence(from_ns, 31 * S)])) == n


def test_a_loss_after_one_with_a_word_in_between_is_found_too() -> None:
    own, last = silence(20 * S, 24 * S), silence(40 * S, 42 * S)
    found = lost(stream(own, last), silences=[silence(20 * S, 22 * S), silence(22 * S, 24 * S), last])
    assert [(one.last_seen_ns, one.back_ns) for one in found] == [(20 * S, 22 * S), (40 * S, 42 * S)]


def test_frames_stamped_alike_give_no_pace_and_the_next_moment_is_missed() -> None:
    own = silence(20 * S - 10, 21 * S, before_ns=[20 * S - 10] * 6)
    (found,) = lost(stream(own, jitter_ns=0), silences=[silence(20 * S, 21 * S)])
    assert (found.onset_ns, found.jitter_ns) == (20 * S + 1, 0)


def test_a_cyclic_frame_in_between_ends_the_loss() -> None:
    first, second = silence(20 * S, 22 * S), silence(22 * S, 24 * S)
    found = lost(stream(first, second), silences=[first, second])
    assert [(one.last_seen_ns, one.back_ns) for one in found] == [(20 * S, 22 * S), (22 * S, 24 * S)]


def test_what_proves_nothing_in_between_changes_nothing() -> None:
    first, last = silence(20 * S, 22 * S), silence(40 * S, 42 * S)
    one = stream(first, silence(30 * S, 30 * S + 200 * MS), last)
    # far too short; within the deadline
    short = [silence(25 * S, 25 * S + 90 * MS), silence(30 * S, 30 * S + 200 * MS)]
    assert [each.last_seen_ns for each in lost(one, silences=[*short, first, *short, last])] == [20 * S, 40 * S]
    alone = silence(30 * S, 30 * S + 300 * MS)  # past a deadline, of one stream of two, and too short for it alone
    two = (stream(first, alone, last), stream(first, last, row=1, deadline_ns=900 * MS))
    assert [each.last_seen_ns for each in lost(*two, silences=[alone, first, alone, last])] == [20 * S, 40 * S]


def test_a_stream_with_more_silences_than_are_kept_was_silent_with_its_controller() -> None:
    (found,) = lost(stream(), silences=[silence(20 * S, 22 * S)])
    assert (found.last_seen_ns, found.onset_ns, found.back_ns) == (20 * S, 20 * S + 100 * MS, 22 * S)


# Late


def late(*streams: CyclicStream, absences: tuple[Absence, ...] = (), gaps: RecorderGaps = NO_GAPS) -> list[Absence]:
    return find_late(streams, absences, gaps, UNTIL_NS)


def test_a_stream_is_late_past_its_deadline_and_not_at_it() -> None:
    for lasts_ns, n in ((250 * MS, 0), (250 * MS + 1, 1)):
        assert len(late(stream(silence(20 * S, 20 * S + lasts_ns)))) == n
    gaps = RecorderGaps([(20 * S, 20 * S + 50 * MS)])
    for lasts_ns, n in ((300 * MS, 0), (300 * MS + 1, 1)):
        assert len(late(stream(silence(20 * S, 20 * S + lasts_ns)), gaps=gaps)) == n


def test_silences_within_the_deadline_hide_no_later_one() -> None:
    found = late(stream(silence(10 * S, 10 * S + 200 * MS), silence(20 * S, 25 * S), jitter_ns=0))
    assert [(one.last_seen_ns, one.jitter_ns) for one in found] == [(20 * S, 0)]


def test_streams_late_from_and_to_the_same_moments_are_one() -> None:
    both = [stream(silence(20 * S, 25 * S), row=row) for row in (0, 1)]
    (found,) = late(*both)
    assert [one.row for one, _ in found.streams] == [0, 1]


def test_a_stream_that_stops_is_late_from_its_deadline_on() -> None:
    assert late(stream(silence(UNTIL_NS - 250 * MS, None))) == []
    (found,) = late(stream(silence(UNTIL_NS - 250 * MS - 1, None)))
    assert (found.last_seen_ns, found.back_ns, found.steady_ns) == (UNTIL_NS - 250 * MS - 1, None, None)


def test_a_late_stream_says_when_it_was_missed_and_in_step_again() -> None:
    own = silence(20 * S, 25 * S, after_ns=[25 * S, 25 * S + 100 * MS])
    one = stream(own, jitter_ns=7 * MS)
    (found,) = late(one)
    assert (found.last_seen_ns, found.onset_ns, found.back_ns) == (20 * S, 20 * S + 100 * MS, 25 * S)
    assert (found.steady_ns, found.deadline_ns, found.jitter_ns) == (25 * S + 100 * MS, 250 * MS, 7 * MS)
    assert found.streams == ((one, own),)


@pytest.mark.parametrize(
    ("count", "period_from", "n"),
    [(9, PeriodFrom.LEARNT, 0), (10, PeriodFrom.LEARNT, 1), (9, PeriodFrom.MAP, 1), (2, PeriodFrom.DATABASE, 1)],
)
def test_a_learnt_period_takes_ten_frames_before_its_lateness_is_worth_a_word(
    count: int, period_from: PeriodFrom, n: int
) -> None:
    others = stream(silence(60 * S, 62 * S), row=1)
    found = late(stream(silence(20 * S, 25 * S), count=count, period_from=period_from), others)
    assert [one.last_seen_ns for one in found] == [20 * S] * n + [60 * S]


def test_what_was_missing_while_the_controller_was_lost_is_not_late() -> None:
    one = stream(silence(20 * S, 25 * S))
    for last_seen_ns, back_ns, n in ((22 * S, 24 * S, 0), (25 * S, 30 * S, 1), (25 * S - 1, 30 * S, 0)):
        assert len(late(one, absences=(absence(last_seen_ns, back_ns),))) == n
    assert len(late(one, absences=(absence(10 * S, 20 * S),))) == 1
    assert late(one, absences=(absence(10 * S, 20 * S + 1),)) == late(one, absences=(absence(10 * S, None),)) == []
    two = stream(silence(20 * S, 25 * S), silence(40 * S, 45 * S), row=1)
    assert [each.last_seen_ns for each in late(two, absences=(absence(21 * S, 22 * S),))] == [40 * S]


def test_streams_late_at_the_same_time_are_one_and_those_late_in_turn_are_two() -> None:
    first = stream(silence(20 * S, 25 * S), silence(24 * S, 30 * S), period_ns=400 * MS)
    second = stream(silence(23 * S, 24 * S), silence(29 * S, 33 * S), row=1, deadline_ns=300 * MS, jitter_ns=5 * MS)
    (found,) = late(second, first)
    assert (found.last_seen_ns, found.back_ns, found.onset_ns) == (20 * S, 33 * S, 20 * S + 400 * MS)
    assert [own.from_ns for _, own in found.streams] == [20 * S, 23 * S, 24 * S, 29 * S]
    touching = stream(silence(25 * S, 26 * S), row=1)
    apart = late(stream(silence(20 * S, 25 * S)), touching)
    assert [(one.last_seen_ns, one.back_ns) for one in apart] == [(20 * S, 25 * S), (25 * S, 26 * S)]
    lasting = stream(silence(24 * S, None), row=1)
    (open_end,) = late(stream(silence(20 * S, 25 * S)), lasting)
    assert (open_end.last_seen_ns, open_end.back_ns) == (20 * S, None)
