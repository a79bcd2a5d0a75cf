"""What counts as restarting over and over, on both sides of each limit."""

import pytest

from busdoc.health.incident import Loss, RanOn
from busdoc.health.presence.runs.spells import Fall, fall_of, find_spells, goes_on, up_and_down
from tests.health.presence.made_streams import MS, S


def falls(
    n: int, *, up_ns: int = 600 * MS, down_ns: int = 2 * S, announced: bool = True, weight: float = 4.0
) -> list[Fall]:
    return [
        Fall(
            last_seen_ns=k * (up_ns + down_ns),
            back_ns=k * (up_ns + down_ns) + down_ns,
            announced=announced,
            weight=weight,
        )
        for k in range(n)
    ]


def lasting(own: list[Fall]) -> list[Fall]:
    """Let the last one never come back."""
    last = own[-1]
    return [*own[:-1], Fall(last_seen_ns=last.last_seen_ns, back_ns=None, announced=False, weight=0.0)]


def test_three_restarts_are_a_spell_and_two_are_not() -> None:
    assert find_spells(falls(2)) == []
    assert find_spells(falls(3)) == [(0, 3)]
    assert find_spells(lasting(falls(3))) == []  # of these two came back
    assert find_spells(lasting(falls(4))) == [(0, 4)]


@pytest.mark.parametrize(("up_ns", "n"), [(5 * S, 1), (5 * S + 1, 0)])
def test_up_for_more_than_five_seconds_it_runs(up_ns: int, n: int) -> None:
    assert len(find_spells(falls(4, up_ns=up_ns))) == n


def test_up_for_much_longer_than_before_the_spell_was_over() -> None:
    first = falls(4, up_ns=300 * MS)  # four times the median and two seconds: 3.2 s
    for pause_ns, spells in ((3_200 * MS, [(0, 8)]), (3_200 * MS + 1, [(0, 4), (4, 8)])):
        later_ns = (first[-1].back_ns or 0) + pause_ns
        second = [
            Fall(
                last_seen_ns=later_ns + one.last_seen_ns,
                back_ns=later_ns + (one.back_ns or 0),
                announced=True,
                weight=4.0,
            )
            for one in first
        ]
        assert find_spells([*first, *second]) == spells


def test_who_ran_on_unheard_does_not_restart_over_and_over() -> None:
    assert find_spells(falls(5, announced=False, weight=-3.0)) == []
    assert find_spells(falls(5, announced=False, weight=0.0)) == []
    assert find_spells(falls(5, announced=False, weight=0.3)) == [(0, 5)]  # 1.5 of 1.39: 80 %
    assert find_spells(falls(5, announced=False, weight=0.27)) == []
    assert find_spells(falls(5, announced=True, weight=-3.0)) == [(0, 5)]


def test_it_goes_on_as_long_as_the_next_restart_may_come() -> None:
    own = falls(5)
    back_ns = own[-1].back_ns or 0
    assert goes_on(own, back_ns + 4_400 * MS)  # four times 0.6 s and two seconds
    assert not goes_on(own, back_ns + 4_400 * MS + 1)
    open_end = lasting(own)
    gone_ns = open_end[-1].last_seen_ns
    assert goes_on(open_end, gone_ns + 8 * S)  # three times two seconds and two
    assert not goes_on(open_end, gone_ns + 8 * S + 1)


def test_how_long_up_and_down_is_told_by_median_and_range() -> None:
    ups, downs = up_and_down(falls(3))
    assert (ups.median_ns, ups.shortest_ns, ups.longest_ns) == (600 * MS,) * 3
    assert downs is not None
    assert (downs.median_ns, downs.shortest_ns, downs.longest_ns) == (2 * S,) * 3
    _, never_back = up_and_down(lasting(falls(1)))
    assert never_back is None


def test_those_who_fell_together_are_one_fall() -> None:
    def loss(name: str, last_ns: int, back_ns: int | None, p: float | None) -> Loss:
        return Loss(
            controller=name,
            last_seen_ns=last_ns,
            onset_ns=last_ns,
            back_ns=back_ns,
            steady_ns=None,
            ran_on=RanOn.UNKNOWN,
            p_restarted=p,
            announced=name == "a",
        )

    both = fall_of([loss("a", 2 * S, 5 * S, 0.5), loss("b", S, 6 * S, None)])
    assert (both.last_seen_ns, both.back_ns, both.announced, both.weight) == (S, 6 * S, True, 0.0)
    assert fall_of([loss("a", S, 2 * S, 0.9), loss("b", S, None, 0.9)]).back_ns is None
