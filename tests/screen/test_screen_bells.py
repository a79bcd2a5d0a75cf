"""The bell: once for a loss, twice for a return, together when many come at once."""

from itertools import pairwise

from busdoc.live.view import Happening, HappeningKind
from busdoc.screen.bells import Bells


def happening(kind: HappeningKind) -> Happening:
    return Happening(n=1, time_ns=0, kind=kind, text="")


def rings(bells: Bells, heard: dict[int, list[HappeningKind]], until: int) -> list[int]:
    """Ask ten times a second; give the tenths at which it rang."""
    rung = []
    for tenth in range(until):
        bells.hear([happening(kind) for kind in heard.get(tenth, [])], tenth / 10)
        if bells.ring(tenth / 10):
            rung.append(tenth)
    return rung


def test_a_loss_rings_once_and_at_once() -> None:
    assert rings(Bells(), {3: [HappeningKind.LOST]}, 60) == [3]


def test_a_return_rings_twice() -> None:
    assert rings(Bells(), {3: [HappeningKind.BACK]}, 60) == [3, 6]


def test_eight_losses_at_once_ring_once() -> None:
    assert rings(Bells(), {3: [HappeningKind.LOST] * 8}, 60) == [3]


def test_eight_returns_within_two_seconds_ring_twice_at_first_and_twice_when_all_are_there() -> None:
    assert rings(Bells(), {k: [HappeningKind.BACK] for k in range(1, 19, 2)}, 90) == [1, 4, 21, 24]


def test_a_loss_and_a_return_ring_apart() -> None:
    rung = rings(Bells(), {3: [HappeningKind.BACK, HappeningKind.LOST]}, 60)
    assert len(rung) == 3
    assert all(later - earlier >= 3 for earlier, later in pairwise(rung))


def test_other_happenings_do_not_ring() -> None:
    assert rings(Bells(), {3: [HappeningKind.CODE, HappeningKind.ACTION, HappeningKind.RESTARTED]}, 60) == []


def test_quiet_is_quiet() -> None:
    assert rings(Bells(quiet=True), {3: [HappeningKind.LOST]}, 60) == []
