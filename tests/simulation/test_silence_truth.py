"""From absences of a world to silences between frames."""

import numpy as np

from busdoc.simulation.run import find_silences
from busdoc.simulation.timeline import Absence, absences, stints
from busdoc.simulation.world import WorldEvent


def gone(lost_s: float, back_s: float | None, *, restarted: bool = True, cause: str = "power", act: int = 1) -> Absence:
    return Absence(controller="fan", lost_s=lost_s, back_s=back_s, cause=cause, restarted=restarted, act=act)


def times(*seconds: float) -> dict[str, "np.typing.NDArray[np.int64]"]:
    return {"fan": np.array([round(s * 1e9) for s in seconds], np.int64)}


def test_a_return_too_short_for_a_frame_is_no_return() -> None:
    away = [gone(10.0, 12.0, restarted=False, cause="bus", act=1), gone(12.02, 20.0, cause="fault:x", act=2)]
    (silence,) = find_silences(away, times(9.9, 20.1, 20.2), 0, {1: 4})
    assert (silence.last_ns, silence.first_ns) == (9_900_000_000, 20_100_000_000)
    assert (silence.cause, silence.ran_on, silence.act, silence.action) == ("bus", "restarted", 1, 4)


def test_a_return_with_one_frame_makes_two_silences() -> None:
    away = [gone(10.0, 12.0), gone(12.02, 20.0)]
    found = find_silences(away, times(9.9, 12.01, 20.1), 0, {})
    assert [(s.last_ns, s.first_ns) for s in found] == [
        (9_900_000_000, 12_010_000_000),
        (12_010_000_000, 20_100_000_000),
    ]


def test_one_that_never_came_back_is_still_off() -> None:
    (silence,) = find_silences([gone(10.0, None)], times(9.9), 0, {})
    assert (silence.first_ns, silence.ran_on) == (None, "still off")


def test_one_that_was_never_heard_has_no_silence() -> None:
    assert find_silences([gone(10.0, 12.0)], times(12.1), 0, {}) == ()


def test_stints_break_where_the_controller_restarted_and_not_where_it_was_unheard() -> None:
    def event(time_s: float, kind: str, restarted: bool) -> WorldEvent:
        return WorldEvent(time_s=time_s, controller="fan", kind=kind, cause="bus", restarted=restarted, action=None)

    events = [event(5, "lost", False), event(7, "back", False), event(20, "lost", True), event(23, "back", True)]
    found = stints(events, "fan", up_at_start=True, until_s=30.0)
    assert [(s.start_s, s.end_s, s.fresh, s.heard) for s in found] == [
        (0.0, 20, False, ((0.0, 5), (7, 20))),
        (23, 30.0, True, ((23, 30.0),)),
    ]
    assert [(a.lost_s, a.back_s, a.restarted) for a in absences(events, 30.0)] == [(5, 7, False), (20, 23, True)]
