"""When the silence of a channel is the whole bus, on both sides of each limit.

Something is heard on each channel every 10 ms but in its silences; what each controller lost is made by hand.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from busdoc.health.incident import GapKind
from busdoc.health.presence.bus_silence import BusSilence, find_bus_silences
from busdoc.health.presence.dropout import Absence
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.presence.observations import Observations
from busdoc.health.roll.roll import Roll
from tests.health.presence.made_streams import MS, S, absence, controller, silence, stream

UNTIL_NS = 100 * S
ON_THE_CHANNEL = "everything on the channel fell silent at once"
ON_EVERY_CHANNEL = "everything on every channel fell silent at once"
LIKE_THE_OTHERS = "as short as the silences of the whole bus in this recording"
Span = tuple[int, int | None]


def heard(**silences: Sequence[Span]) -> Observations:
    """Give what was heard on channels 0, 1, … (``on0``, ``on1``, …), silent in these spans."""
    observed = Observations(roll=Roll((), None), complete=False)
    for name, spans in silences.items():
        t_ns = np.arange(0, UNTIL_NS + 1, 10 * MS)
        for from_ns, to_ns in spans:
            t_ns = t_ns[(t_ns <= from_ns) | (t_ns >= (UNTIL_NS + 1 if to_ns is None else to_ns))]
            t_ns = np.union1d(t_ns, [from_ns] if to_ns is None else [from_ns, to_ns])
        row = observed.channel_row.setdefault(int(name.removeprefix("on")), len(observed.channel_row))
        observed.channels.add(1)
        observed.channels.feed(np.full(len(t_ns), row, np.int64), t_ns.astype(np.int64))
    return observed


def one(
    name: str, *absences: Absence, channel: int = 0, slowest_ns: int = 100 * MS, first_ns: int = 0
) -> JudgedController:
    return controller(name, *absences, streams=[stream(slowest_ns=slowest_ns)], channel=channel, first_ns=first_ns)


def lost_of(bus: BusSilence) -> list[str]:
    return [judged.name for judged, _ in bus.absences]


def silent(*spans: Span, controllers: Sequence[JudgedController]) -> list[BusSilence]:
    return find_bus_silences(heard(on0=spans), controllers, UNTIL_NS)


SPAN = (20 * S, 25 * S)


def test_what_fell_silent_with_its_channel_is_the_bus() -> None:
    a, b = one("a", absence(*SPAN)), one("b", absence(*SPAN))
    (bus,) = silent(SPAN, controllers=[a, b])
    assert (bus.gap.channel, bus.gap.from_ns, bus.gap.to_ns) == (0, *SPAN)
    assert (bus.gap.kind, bus.gap.why) == (GapKind.BUS_SILENCE, ON_THE_CHANNEL)
    assert bus.absences == ((a, a.absences[0]), (b, b.absences[0]))


def test_a_silence_to_the_end_lasts_until_what_was_heard() -> None:
    gone = absence(90 * S, None)
    (bus,) = silent((90 * S, None), controllers=[one("a", gone), one("b", gone)])
    assert (bus.gap.from_ns, bus.gap.to_ns) == (90 * S, UNTIL_NS)


def test_a_silence_to_the_end_is_measured_against_the_others_that_were_there() -> None:
    lost = [one(name, absence(90 * S, None)) for name in "ab"]
    for slowest_ns, n in ((6 * S, 1), (7 * S, 0)):  # of ten seconds: a period and a half, and less
        assert len(silent((90 * S, None), controllers=[*lost, one("c", slowest_ns=slowest_ns)])) == n


def test_a_controller_alone_on_its_channel_is_no_bus_and_one_without_losses_neither() -> None:
    assert silent(SPAN, controllers=[one("a", absence(*SPAN))]) == []
    assert silent(SPAN, controllers=[one("a"), one("b")]) == []


def test_a_channel_without_a_rhythm_is_not_asked() -> None:
    a, b = one("a", absence(*SPAN)), one("b", absence(*SPAN))
    event = controller("c", channel=1)
    (bus,) = find_bus_silences(heard(on0=[SPAN], on1=[]), [a, b, event], UNTIL_NS)
    assert bus.gap.channel == 0


def test_a_silence_of_half_the_shortest_deadline_is_not_looked_at() -> None:
    for lasts_ns, n in ((125 * MS, 0), (125 * MS + 1, 1)):
        span = (20 * S, 20 * S + lasts_ns)
        losses = [one("a", absence(*span)), one("b", absence(*span, deadline_ns=900 * MS))]
        assert len(silent(span, controllers=losses)) == n


@pytest.mark.parametrize(
    ("jitter_ns", "lasts_ns", "slack_ns"),
    [
        (0, 499 * MS, 5 * MS),
        (MS, 499 * MS, 5 * MS),
        (3 * MS, 499 * MS, 12 * MS),
        (0, 500 * MS, 300 * MS),  # a supply may have gone: they hold out for 20 to 300 ms (common practice)
        (100 * MS, 5 * S, 400 * MS),
    ],
)
def test_a_controller_that_had_missed_a_frame_before_was_not_lost_with_the_bus(
    jitter_ns: int, lasts_ns: int, slack_ns: int
) -> None:
    span = (20 * S, 20 * S + lasts_ns)
    for early_ns, together in ((slack_ns, True), (slack_ns + 1, False)):
        before = absence(19 * S, span[1], onset_ns=20 * S - early_ns, jitter_ns=jitter_ns)
        found = silent(span, controllers=[one("a", before), one("b", absence(*span)), one("c", absence(*span))])
        assert [lost_of(bus) for bus in found] == [["a", "b", "c"] if together else ["b", "c"]]


def test_a_controller_that_came_back_within_the_silence_is_not_part_of_it() -> None:
    for back_ns, lost in ((25 * S, ["a", "b", "c"]), (25 * S - 1, ["b", "c"])):
        a = one("a", absence(20 * S, back_ns))
        (bus,) = silent(SPAN, controllers=[a, one("b", absence(*SPAN)), one("c", absence(*SPAN))])
        assert lost_of(bus) == lost


# One controller's deadlines alone passed


def test_one_loss_is_the_bus_where_all_the_others_missed_a_beat() -> None:
    a = one("a", absence(*SPAN))
    half_as_long_again = 5 * S * 2 // 3
    for slowest_ns, n in ((half_as_long_again, 1), (half_as_long_again + 1, 0)):  # five seconds
        assert len(silent(SPAN, controllers=[a, one("b", slowest_ns=slowest_ns)])) == n
        # where another missed a frame, one that keeps its period and yet did not come for longer is silent too
        assert len(silent(SPAN, controllers=[a, one("b"), one("c", slowest_ns=slowest_ns)])) == 1


def test_only_those_count_as_others_that_were_there_with_a_rhythm() -> None:
    a = one("a", absence(*SPAN))
    assert silent(SPAN, controllers=[a, one("b", first_ns=20 * S)]) == []
    assert len(silent(SPAN, controllers=[a, one("b", first_ns=20 * S - 1)])) == 1
    assert silent(SPAN, controllers=[a, controller("b")]) == []
    assert silent(SPAN, controllers=[a, one("b", absence(10 * S, 30 * S))]) == []
    assert len(silent(SPAN, controllers=[a, one("b", absence(10 * S, 25 * S - 1))])) == 1
    assert silent(SPAN, controllers=[a, one("b", absence(10 * S, None))]) == []


# Several, while others may just have had nothing to send


@pytest.mark.parametrize("n_lost", [1, 2, 5, 7])
def test_however_many_were_lost_one_that_may_just_be_slow_makes_them_a_group(n_lost: int) -> None:
    lost = [one(f"lost {k}", absence(*SPAN)) for k in range(n_lost)]
    assert len(silent(SPAN, controllers=[*lost, one("fast")])) == 1
    assert silent(SPAN, controllers=[*lost, one("fast"), one("slow", slowest_ns=4 * S)]) == []


def test_of_many_one_in_ten_may_be_too_slow_to_tell() -> None:
    lost = [one(f"lost {k}", absence(*SPAN)) for k in range(18)]
    slow = [one(f"slow {k}", slowest_ns=4 * S) for k in range(3)]
    for n_slow, n in ((2, 1), (3, 0)):
        assert len(silent(SPAN, controllers=[*lost, *slow[:n_slow]])) == n


def test_who_sends_too_seldom_to_tell_is_not_asked_where_most_missed_a_frame() -> None:
    seldom = one("c", slowest_ns=20 * S)  # quiet for five seconds three times in four
    assert len(silent(SPAN, controllers=[one("a", absence(*SPAN)), one("b"), seldom])) == 1
    assert silent(SPAN, controllers=[one("a", absence(*SPAN)), seldom]) == []
    assert silent(SPAN, controllers=[one("a", absence(*SPAN)), one("b", absence(*SPAN)), seldom]) == []
    now_and_then = [
        one(f"c{k}", slowest_ns=16 * S // 3) for k in range(3)
    ]  # each three times in eight, all of them seldom
    assert len(silent(SPAN, controllers=[one("a", absence(*SPAN)), one("b"), now_and_then[0]])) == 0
    assert len(silent(SPAN, controllers=[one("a", absence(*SPAN)), one("b"), one("d"), *now_and_then])) == 1


def test_where_those_left_send_too_seldom_to_tell_it_was_the_bus_if_the_bus_falls_silent_at_other_times() -> None:
    """Three of four are lost at 80 s, and the fourth is quiet for five seconds two times in three."""
    others = [(k * 20 * S, k * 20 * S + 5 * S) for k in range(1, 3)]
    last = (80 * S, 85 * S)

    def found(*times: tuple[int, int], seldom_ns: int = 10 * S, n: int = 3) -> list[int]:
        lost = [one(f"a{k}", *(absence(*span) for span in (*times, last))) for k in range(n)]
        due = [stream(*(silence(from_ns - 12 * S, to_ns) for from_ns, to_ns in times), slowest_ns=seldom_ns)]
        controllers = [*lost, controller("seldom", streams=due)]
        return [bus.gap.from_ns for bus in silent(*times, last, controllers=controllers)]

    assert found(*others) == [20 * S, 40 * S, 80 * S]
    assert found(*others[:1]) == [20 * S]
    assert found(*others, seldom_ns=5 * S) == [20 * S, 40 * S]
    assert found(*others, n=2) == [20 * S, 40 * S]


def test_its_fastest_stream_or_one_that_was_silent_before_tells_that_another_missed_a_beat() -> None:
    lost = [one("a", absence(*SPAN)), one("b", absence(*SPAN))]
    slow = stream(slowest_ns=10**18)
    assert silent(SPAN, controllers=[*lost, controller("c", streams=[slow])]) == []
    assert len(silent(SPAN, controllers=[*lost, controller("c", streams=[slow, stream(row=1, slowest_ns=3 * S)])])) == 1
    due = stream(silence(18 * S, 26 * S), row=1, slowest_ns=5 * S)  # eight seconds without it
    assert len(silent(SPAN, controllers=[*lost, controller("c", streams=[slow, due])])) == 1


def test_where_the_others_went_on_for_longer_than_all_were_silent_it_was_those_alone() -> None:
    for back_ns, n in ((30 * S, 1), (30 * S + 1, 0)):  # ten seconds, of which the bus was silent for five
        lost = [one(name, absence(20 * S, back_ns)) for name in "ab"]
        assert len(silent(SPAN, controllers=[*lost, one("c")])) == n
        assert len(silent(SPAN, controllers=lost)) == 1  # there was nobody else


def test_traffic_that_pauses_like_that_by_itself_is_no_silent_bus() -> None:
    pauses = [(k * 10 * S, k * 10 * S + 4 * S) for k in range(4, 8)]
    lost = [one(name, absence(*SPAN)) for name in "ab"]
    assert len(silent(SPAN, *pauses[:2], controllers=lost)) == 1
    assert silent(SPAN, *pauses[:3], controllers=lost) == []
    shorter = [(from_ns, from_ns + 4 * S - 10 * MS) for from_ns, _ in pauses]
    assert len(silent(SPAN, *shorter, controllers=lost)) == 1


# A word in between


def flicker(*, away: str) -> list[BusSilence]:
    """Give three controllers on a channel that is silent twice; only those in `away` stay away in between."""
    first, second = (20 * S, 25 * S), (26 * S, 40 * S)
    controllers = [
        one(name, absence(20 * S, 40 * S)) if name in away else one(name, absence(*first), absence(*second))
        for name in "abc"
    ]
    return silent(first, second, controllers=controllers)


def test_a_word_in_between_ends_it_and_who_stayed_away_belongs_to_the_longer_silence() -> None:
    for away in ("", "a", "ab"):
        found = flicker(away=away)
        assert [(bus.gap.from_ns, bus.gap.to_ns) for bus in found] == [(20 * S, 25 * S), (26 * S, 40 * S)]
        spoke = [name for name in "abc" if name not in away]
        assert [sorted(lost_of(bus)) for bus in found] == [spoke, ["a", "b", "c"]]


def test_a_word_of_nobody_known_leaves_the_longer_silence() -> None:
    spans = ((20 * S, 25 * S), (26 * S, 40 * S))
    (bus,) = silent(*spans, controllers=[one(name, absence(20 * S, 40 * S)) for name in "ab"])
    assert (bus.gap.from_ns, bus.gap.to_ns, lost_of(bus)) == (20 * S, 25 * S, ["a", "b"])


def test_who_stays_away_after_a_stall_of_the_recorder_was_lost_for_another_reason() -> None:
    span = (20 * S, 20 * S + 300 * MS)
    for back_ns, lost in ((21 * S + 50 * MS, ["a", "b", "c"]), (21 * S + 50 * MS + 1, ["b", "c"]), (None, ["b", "c"])):
        rest = [one(name, absence(*span)) for name in "bc"]
        (bus,) = silent(span, controllers=[one("a", absence(20 * S, back_ns)), *rest])
        assert lost_of(bus) == lost


# A recorder that stalls


def stalls(*lasts_ms: int, last_ms: int, n: int = 2, new: Sequence[JudgedController] = ()) -> list[BusSilence]:
    """Give whole-bus silences that last so long, then one while a controller alone is left, but for new ones."""
    edges = [((10 + 10 * k) * S, (10 + 10 * k) * S + ms * MS) for k, ms in enumerate(lasts_ms)]
    last = (80 * S, 80 * S + last_ms * MS)
    a = one("a", *(absence(*edge) for edge in (*edges, last)))
    rest = [one(f"rest {k}", *(absence(*edge) for edge in edges), absence(70 * S, None)) for k in range(n)]
    return silent(*edges, last, controllers=[a, *rest, *new])


@pytest.mark.parametrize(
    ("lasts_ms", "last_ms", "is_stall"),
    [
        ((250, 250), 260, True),
        ((250,), 250, False),  # twice, or it is chance
        ((250, 250), 300, True),
        ((250, 250), 301, False),
        ((250, 250), 200, True),
        ((250, 250), 199, False),
        ((400, 420), 450, True),
        ((450, 450), 499, True),
        ((450, 450), 500, False),  # long enough for a controller to have started anew
    ],
)
def test_a_stall_of_the_recorder_is_told_by_those_before_it(
    lasts_ms: tuple[int, ...], last_ms: int, is_stall: bool
) -> None:
    found = stalls(*lasts_ms, last_ms=last_ms)
    whys = [bus.gap.why for bus in found]
    assert whys == [ON_THE_CHANNEL] * len(lasts_ms) + [LIKE_THE_OTHERS] * is_stall
    assert {bus.gap.channel for bus in found} == {0}
    if is_stall:
        assert lost_of(found[-1]) == ["a"]
        assert (found[-1].gap.from_ns, found[-1].gap.to_ns) == (80 * S, 80 * S + last_ms * MS)


def test_no_stall_is_told_by_one_controller_while_another_is_there_that_may_have_had_nothing_to_send() -> None:
    slow = one("slow", slowest_ns=10 * S, first_ns=75 * S)
    assert [bus.gap.why for bus in stalls(250, 250, last_ms=250, new=[slow])] == [ON_THE_CHANNEL] * 2


def test_what_is_told_stands_in_the_order_of_time() -> None:
    edges = [(30 * S, 30 * S + 250 * MS), (40 * S, 40 * S + 250 * MS)]
    early = (10 * S, 10 * S + 250 * MS)
    a = one("a", *(absence(*edge) for edge in (early, *edges)))
    rest = one("b", *(absence(*edge) for edge in edges), first_ns=20 * S)
    found = silent(early, *edges, controllers=[a, rest])
    assert [bus.gap.from_ns for bus in found] == [10 * S, 30 * S, 40 * S]
    assert [bus.gap.why for bus in found] == [LIKE_THE_OTHERS, ON_THE_CHANNEL, ON_THE_CHANNEL]


# Every channel


def two_channels(other: Span, *absences_there: Absence) -> list[BusSilence]:
    here = [one(name, absence(*SPAN)) for name in "ab"]
    there = [one(name, *absences_there, channel=1) for name in "cd"]
    return find_bus_silences(heard(on0=[SPAN], on1=[other]), [*here, *there], UNTIL_NS)


def test_what_fell_silent_on_every_channel_at_once_is_one() -> None:
    other = (20 * S + 100 * MS, 25 * S + 50 * MS)
    (bus,) = two_channels(other, absence(*other))
    assert (bus.gap.channel, bus.gap.why) == (None, ON_EVERY_CHANNEL)
    assert (bus.gap.from_ns, bus.gap.to_ns) == (other[0], SPAN[1])  # silent on both
    assert lost_of(bus) == ["a", "b", "c", "d"]
    before = (20 * S - 100 * MS, 25 * S)
    (bus,) = two_channels(before, absence(*before))
    assert (bus.gap.channel, bus.gap.from_ns, bus.gap.to_ns) == (None, *SPAN)


@pytest.mark.parametrize(
    ("other", "joined"),
    [
        ((20 * S + 300 * MS, 25 * S), True),  # one machine or recorder within 300 ms: common practice
        ((20 * S + 310 * MS, 25 * S), False),
        ((20 * S - 300 * MS, 25 * S), True),
        ((20 * S - 310 * MS, 25 * S), False),
        ((20 * S, 22 * S + 500 * MS), True),  # half of it
        ((20 * S, 22 * S + 490 * MS), False),
        ((20 * S + 300 * MS, 22 * S + 800 * MS), True),
        ((20 * S, None), True),
    ],
)
def test_channels_are_one_where_they_fell_silent_together_for_half_of_the_time(other: Span, joined: bool) -> None:
    found = two_channels(other)  # nobody there has a rhythm fast enough to be lost
    assert [bus.gap.channel for bus in found] == [None if joined else 0]
    assert lost_of(found[0]) == ["a", "b"]
    assert found[0].gap.from_ns == (max(20 * S, other[0]) if joined else 20 * S)


def test_two_silences_of_every_channel_are_two() -> None:
    later = (40 * S, 45 * S)
    controllers = [one(name, absence(*SPAN), absence(*later), channel=k // 2) for k, name in enumerate("abcd")]
    found = find_bus_silences(heard(on0=[SPAN, later], on1=[SPAN, later]), controllers, UNTIL_NS)
    assert [(bus.gap.channel, bus.gap.from_ns, len(bus.absences)) for bus in found] == [
        (None, 20 * S, 4),
        (None, 40 * S, 4),
    ]


@pytest.mark.parametrize(
    ("there", "is_part"),
    [
        (absence(20 * S - 550 * MS, 25 * S), True),  # within 300 ms, and its own deadline
        (absence(20 * S - 550 * MS - 1, 25 * S), False),
        (absence(20 * S + 299 * MS, 25 * S), True),
        (absence(20 * S + 300 * MS, 25 * S), False),  # not there from the start of the silence on
        (absence(20 * S, 24 * S + 700 * MS), True),
        (absence(20 * S, 24 * S + 700 * MS - 1), False),
        (absence(20 * S, None), True),
    ],
)
def test_those_of_the_other_channels_are_part_of_it_where_they_were_lost_with_it(there: Absence, is_part: bool) -> None:
    here = [one(name, absence(*SPAN)) for name in "ab"]
    other = [one("c", there, channel=1), one("d", channel=1, slowest_ns=10**12)]
    (bus,) = find_bus_silences(heard(on0=[SPAN], on1=[SPAN]), [*here, *other], UNTIL_NS)
    assert lost_of(bus) == ["a", "b", *(["c"] if is_part else [])]


def test_a_channel_that_went_on_keeps_the_others_apart() -> None:
    here = [one(name, absence(*SPAN)) for name in "ab"]
    there = [one(name, absence(*SPAN), channel=1) for name in "cd"]
    third = [one(name, channel=2) for name in "ef"]
    found = find_bus_silences(heard(on0=[SPAN], on1=[SPAN], on2=[]), [*here, *there, *third], UNTIL_NS)
    assert [(bus.gap.channel, lost_of(bus)) for bus in found] == [(0, ["a", "b"]), (1, ["c", "d"])]


def test_a_silence_that_lasts_to_the_end_on_every_channel_is_one() -> None:
    controllers = [one(name, absence(90 * S, None), channel=k // 2) for k, name in enumerate("abcd")]
    (bus,) = find_bus_silences(heard(on0=[(90 * S, None)], on1=[(90 * S, None)]), controllers, UNTIL_NS)
    assert (bus.gap.channel, bus.gap.to_ns, lost_of(bus)) == (None, UNTIL_NS, ["a", "b", "c", "d"])
