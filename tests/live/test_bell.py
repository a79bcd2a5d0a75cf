"""The bell: once for a loss, twice for a return, together when many come at once."""

import io
from itertools import pairwise

import pytest

from busdoc.isolation.proposals.cure import CureOutcome
from busdoc.live.bell import Bell, TerminalBell
from busdoc.live.resync.news import NewsKind
from busdoc.live.view import HappeningKind


def rings(bells: Bell, heard: dict[int, list[HappeningKind]], until: int) -> list[int]:
    """Ask ten times a second; give the tenths at which it rang."""
    rung = []
    for tenth in range(until):
        bells.hear(heard.get(tenth, []))
        if bells.ring(tenth / 10):
            rung.append(tenth)
    return rung


def test_a_loss_rings_once_and_at_once() -> None:
    assert rings(Bell(), {3: [HappeningKind.LOST]}, 60) == [3]


def test_a_return_rings_twice() -> None:
    assert rings(Bell(), {3: [HappeningKind.BACK]}, 60) == [3, 6]


def test_eight_losses_at_once_ring_once() -> None:
    assert rings(Bell(), {3: [HappeningKind.LOST] * 8}, 60) == [3]


def test_eight_returns_within_two_seconds_ring_twice_at_first_and_twice_when_all_are_there() -> None:
    assert rings(Bell(), {k: [HappeningKind.BACK] for k in range(1, 19, 2)}, 90) == [1, 4, 21, 24]


def test_a_loss_and_a_return_ring_apart() -> None:
    rung = rings(Bell(), {3: [HappeningKind.BACK, HappeningKind.LOST]}, 60)
    assert len(rung) == 3
    assert all(later - earlier >= 3 for earlier, later in pairwise(rung))


def test_other_happenings_do_not_ring() -> None:
    assert rings(Bell(), {3: [HappeningKind.CODE, HappeningKind.ACTION, HappeningKind.BUS]}, 60) == []


def test_quiet_is_quiet() -> None:
    assert rings(Bell(quiet=True), {3: [HappeningKind.LOST]}, 60) == []


@pytest.mark.parametrize(
    ("what", "strokes"),
    [
        (HappeningKind.LOST, 1),
        (HappeningKind.RESTARTED, 1),
        (HappeningKind.BACK, 2),
        (NewsKind.LATE, 1),
        (NewsKind.RESTARTED, 1),
        (NewsKind.HOME, 0),
        (NewsKind.ALL_HOME, 2),
        (NewsKind.CODE, 0),
        (CureOutcome.INCIDENT, 1),
        (CureOutcome.MISSING, 1),
        (CureOutcome.CURED, 2),
        (CureOutcome.CUT_SHORT, 0),
    ],
)
def test_one_stroke_is_lost_and_two_are_back_in_step_whoever_rings(
    what: HappeningKind | NewsKind | CureOutcome, strokes: int
) -> None:
    bell = Bell()
    bell.hear([what])
    assert sum(bell.ring(tenth / 10) for tenth in range(60)) == strokes


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class HandClock:
    """A clock that goes on when somebody waits."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s

    def wait(self, seconds: float) -> bool:
        self.now_s += seconds
        return False


def test_the_strokes_that_are_left_at_the_end_are_made_apart() -> None:
    clock, out = HandClock(), Terminal()
    bell = TerminalBell(out, quiet=False, clock_s=clock)
    bell.hear([CureOutcome.CURED])
    assert (out.getvalue(), clock.now_s) == ("\a", 0.0)
    bell.finish(clock.wait)
    assert out.getvalue() == "\a\a"
    assert clock.now_s == pytest.approx(0.3)


def test_who_leaves_waits_for_no_stroke() -> None:
    out = Terminal()
    bell = TerminalBell(out, quiet=False, clock_s=HandClock())
    bell.hear([CureOutcome.CURED])
    bell.finish(lambda _: True)
    assert out.getvalue() == "\a"


@pytest.mark.parametrize(("out", "quiet"), [(io.StringIO(), False), (Terminal(), True)])
def test_a_file_and_a_quiet_terminal_hear_no_bell(out: io.StringIO, quiet: bool) -> None:
    bell = TerminalBell(out, quiet=quiet, clock_s=HandClock())
    bell.hear([HappeningKind.LOST, HappeningKind.BACK])
    bell.finish(lambda _: False)
    assert out.getvalue() == ""
