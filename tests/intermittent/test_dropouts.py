"""Dropouts as arrays, and the time in which another one could have come."""

from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.intermittent.dropouts import ANSWER_NS, SETTLE_NS, Dropouts, Watched

S = 10**9
HOUR = Watched.between(0, 3600 * S)


def incident(lost_s: float, back_s: float | None, *, steady_s: float | None = None) -> Incident:
    back_ns = None if back_s is None else round(back_s * S)
    return Incident(
        kind=IncidentKind.DROPOUT,
        channel=0,
        controllers=("hopper",),
        last_seen_ns=round(lost_s * S),
        onset_ns=round(lost_s * S) + S // 10,
        back_ns=back_ns,
        steady_ns=back_ns if steady_s is None else round(steady_s * S),
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
    )


def test_dropouts_come_in_the_order_of_time() -> None:
    found = Dropouts.of(("hopper",), [incident(200, 203), incident(100, 102)], HOUR)
    assert found.last_seen_ns.tolist() == [100 * S, 200 * S]
    assert found.bracket_ns == S // 10


def test_the_time_of_a_loss_and_of_its_return_is_not_watched() -> None:
    found = Dropouts.of(("hopper",), [incident(100, 102, steady_s=104)], HOUR)
    assert found.watched.total_ns == 3600 * S - 4 * S - SETTLE_NS


def test_a_long_absence_of_one_leaves_the_others_watched_between_loss_and_return() -> None:
    found = Dropouts.of((), [incident(100, 1000)], HOUR)
    assert found.watched.total_ns == 3600 * S - S // 10 - ANSWER_NS - SETTLE_NS


def test_a_controller_that_never_came_back_does_not_end_the_watch() -> None:
    found = Dropouts.of((), [incident(100, None), incident(2000, 2002)], HOUR)
    assert len(found) == 2


def test_a_loss_before_the_last_one_was_over_is_part_of_it() -> None:
    found = Dropouts.of(("hopper",), [incident(100, 102, steady_s=110), incident(105, 106), incident(300, 302)], HOUR)
    assert found.last_seen_ns.tolist() == [100 * S, 300 * S]


def test_a_loss_that_begins_with_a_gap_of_the_record_tells_nothing_of_what_went_before() -> None:
    gap = Watched.between(0, 3600 * S, [(50 * S, 100 * S)])
    assert len(Dropouts.of(("hopper",), [incident(100, 102), incident(300, 302)], gap)) == 1


def test_only_dropouts_after_a_pause_are_independent() -> None:
    found = Dropouts.of(("hopper",), [incident(100, 102), incident(112, 113), incident(300, 302)], HOUR)
    assert found.independent(20 * S).tolist() == [True, False, True]
    assert found.independent(5 * S).tolist() == [True, True, True]


def test_no_dropout_is_no_trouble() -> None:
    found = Dropouts.of(("hopper",), [], HOUR)
    assert (len(found), found.bracket_ns, found.watched.total_ns) == (0, 0, 3600 * S)
