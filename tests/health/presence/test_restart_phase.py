"""The phase of a stream before and after a silence, held against one worked out frame by frame."""

import math
from statistics import median

import numpy as np
import pytest

from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.restart_phase import _mean_phase, phase_error
from busdoc.health.streams.silence import Silence
from tests.health.presence.made_streams import MS, S, silence, stream

PERIOD_NS = 100 * MS


def around(
    lasts_ns: int,
    *,
    n_before: int = 10,
    n_after: int = 6,
    jitter_ns: float = 0.0,
    shift_ns: int = 0,
    step_ns: int = 1,
    seed: int = 1,
) -> Silence:
    """Give a silence from 40 s on, and the frames around it; `step_ns` is how finely the recorder tells the time."""
    rng = np.random.default_rng(seed)
    before = 40 * S - PERIOD_NS * np.arange(n_before)[::-1] + rng.normal(0.0, 1.0, n_before) * jitter_ns
    after = 40 * S + lasts_ns + shift_ns + PERIOD_NS * np.arange(n_after) + rng.normal(0.0, 1.0, n_after) * jitter_ns
    before_ns = (np.round(before / step_ns) * step_ns).astype(np.int64).tolist()
    after_ns = (np.round(after / step_ns) * step_ns).astype(np.int64).tolist()
    return silence(before_ns[-1], after_ns[0], before_ns=before_ns, after_ns=after_ns)


def steady(*silences: Silence, n_intervals: int = 1000) -> CyclicStream:
    """Give a stream whose mean period is known from so many intervals, none of them near the silences given."""
    return stream(
        *silences,
        exact_period_ns=float(PERIOD_NS),
        count=n_intervals + 1,
        first_ns=0,
        last_ns=n_intervals * PERIOD_NS,
    )


def circular(phase: float) -> float:
    """Bring a difference of phases to the nearest whole period."""
    return phase - round(phase)


def one_phase(arrivals_ns: list[int]) -> tuple[float, float, int]:
    """Give the phase that most arrivals agree on, its spread, and how many belong to it; frame by frame."""
    phases = [t_ns / PERIOD_NS % 1.0 for t_ns in arrivals_ns]
    friends = [sum(abs(circular(one - other)) < 0.15 for other in phases) for one in phases]
    centre = phases[friends.index(max(friends))]
    errors = [circular(one - centre) for one in phases]
    near = [error for error in errors if abs(error) < 0.2]
    middle = median(near)
    spread = 1.4826 * median([abs(error - middle) for error in near]) if len(near) > 2 else 0.05
    return centre + middle, spread, len(near)


def belonging(arrivals_ns: list[int], phase: float) -> list[int]:
    return [t_ns for t_ns in arrivals_ns if abs(circular(t_ns / PERIOD_NS - phase)) < 0.2]


def wandered(groups: list[list[int]], periods: float) -> float:
    """Work out from pairs of frames, next to each other and seven apart, how far a phase may have wandered."""

    def off(apart: int) -> list[float]:
        return [
            circular((later - earlier) / PERIOD_NS)
            for group in groups
            for earlier, later in zip(group, group[apart:], strict=False)
        ]

    near, far = off(1), off(7)
    if len(near) < 3 or not far:
        return 0.0
    # 0.4549364: the median of chi-square with one degree of freedom (any table of it)
    near_variance, far_variance = (median([one * one for one in some]) / 0.4549364 for some in (near, far))
    walk = max(0.0, far_variance - near_variance) / 6.0
    drift = max(0.0, median(far) ** 2 - near_variance / len(far)) / 49.0
    return math.sqrt(periods * walk + periods * periods * drift)


def by_hand(found: Silence, n_intervals: int) -> tuple[float, float] | None:
    """Work out the error and how well it is known, with the frames of one phase alone."""
    before = [t_ns - found.from_ns for t_ns in found.before_ns.tolist()]
    after = [t_ns - found.from_ns for t_ns in found.after_ns.tolist()]
    old, old_spread, n_old = one_phase(before)
    new, new_spread, n_new = one_phase(after)
    if n_old < 0.75 * len(before) or n_new < 0.75 * len(after):
        return None
    tick_ns = math.gcd(*before, *after)
    spread = max(old_spread, new_spread, 200_000 / PERIOD_NS, tick_ns / 2 / PERIOD_NS)
    drift = after[0] / PERIOD_NS * (20e-6 + spread / n_intervals)
    known = math.sqrt(2.0 * spread * spread / n_old + 2.0 * spread * spread / n_new + drift * drift + spread**2 / 16.0)
    known = math.hypot(known, wandered([belonging(before, old), belonging(after, new)], after[0] / PERIOD_NS))
    return None if known > 0.2 else (circular(new - old), max(known, 0.016))


@pytest.mark.parametrize("lasts_ns", [3 * S, 200 * S, 700 * S])
@pytest.mark.parametrize("jitter_ns", [0.0, 0.3 * MS, 4.0 * MS, 12.0 * MS])
@pytest.mark.parametrize(("shift_ns", "step_ns"), [(0, 1), (7 * MS + 3, 1), (47 * MS, 1), (0, 10 * MS), (13 * MS, MS)])
def test_the_phase_is_that_of_the_frames_one_by_one(
    lasts_ns: int, jitter_ns: float, shift_ns: int, step_ns: int
) -> None:
    for seed in range(3):
        found = around(lasts_ns, jitter_ns=jitter_ns, shift_ns=shift_ns, step_ns=step_ns, seed=seed)
        expected = by_hand(found, 1000)
        told = phase_error(steady(), found)
        if expected is None or told is None:
            assert told is expected
        else:
            assert told[0] == pytest.approx(expected[0], abs=1e-9)
            assert told[1] == pytest.approx(expected[1], rel=1e-9)


def test_a_phase_told_by_few_intervals_is_known_less_well() -> None:
    found = around(60 * S, jitter_ns=2.0 * MS, shift_ns=5 * MS)
    for n_intervals in (50, 200, 5000):
        told = phase_error(steady(n_intervals=n_intervals), found)
        expected = by_hand(found, n_intervals)
        assert told is not None
        assert expected is not None
        assert told == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("n_before", "n_after", "tells"), [(4, 6, True), (3, 6, False), (10, 2, True), (10, 1, False)])
def test_too_few_frames_around_a_silence_tell_no_phase(n_before: int, n_after: int, tells: bool) -> None:
    found = around(3 * S + 1, n_before=n_before, n_after=n_after)
    assert (phase_error(steady(), found) is not None) is tells


@pytest.mark.parametrize("n_after", [2, 3])
def test_two_frames_show_no_spread_of_their_own(n_after: int) -> None:
    found = around(3 * S + 7 * MS, n_before=5, n_after=n_after, jitter_ns=0.1 * MS)
    told = phase_error(steady(), found)
    assert told is not None
    assert told == pytest.approx(by_hand(found, 1000), rel=1e-9, abs=1e-9)


def test_a_period_that_is_not_fixed_has_no_phase() -> None:
    assert phase_error(stream(), around(3 * S + 1)) is None


def moved(found: Silence, *, before: dict[int, int], after: dict[int, int]) -> Silence:
    """Move single frames by some ns."""
    before_ns, after_ns = found.before_ns.copy(), found.after_ns.copy()
    for at, by_ns in before.items():
        before_ns[at] += by_ns
    for at, by_ns in after.items():
        after_ns[at] += by_ns
    return silence(int(before_ns[-1]), int(after_ns[0]), before_ns=before_ns.tolist(), after_ns=after_ns.tolist())


def test_single_frames_out_of_turn_move_no_phase() -> None:
    found = around(3 * S + 7 * MS, n_before=12, n_after=8)
    off = moved(found, before={2: 31 * MS, 5: -28 * MS, 7: 45 * MS}, after={0: -40 * MS, 3: 33 * MS})
    told = phase_error(steady(), off)
    assert told is not None
    assert told[0] == pytest.approx(0.07, abs=1e-9)
    assert told == pytest.approx(by_hand(off, 1000), rel=1e-9, abs=1e-9)


def test_frames_that_agree_on_no_phase_tell_none() -> None:
    found = around(3 * S + 7 * MS, n_before=12, n_after=8)
    four_off = {2: 31 * MS, 5: -28 * MS, 7: 45 * MS, 9: -33 * MS}
    assert phase_error(steady(), moved(found, before=four_off, after={})) is None
    three_off = {1: 31 * MS, 3: -28 * MS, 5: 45 * MS}
    assert phase_error(steady(), moved(found, before={}, after=three_off)) is None


def test_three_frames_before_of_one_phase_are_the_fewest() -> None:
    found = around(3 * S + 7 * MS, n_before=4, n_after=3)
    assert phase_error(steady(), moved(found, before={1: 40 * MS}, after={})) is not None
    assert phase_error(steady(), moved(found, before={1: 40 * MS, 2: -40 * MS}, after={})) is None
    assert phase_error(steady(), moved(found, before={}, after={1: 40 * MS})) is None  # 2 of 3 are under three quarters


def test_frames_beyond_another_long_pause_are_left_out() -> None:
    found = around(3 * S + 7 * MS, n_before=10, n_after=6)
    whole = phase_error(steady(), found)
    before_ns, after_ns = found.before_ns.copy(), found.after_ns.copy()
    before_ns[:5] -= 400 * MS + 30 * MS  # of another phase, before a pause past the deadline
    after_ns[2:] += 400 * MS + 30 * MS
    paused = silence(found.from_ns, found.to_ns, before_ns=before_ns.tolist(), after_ns=after_ns.tolist())
    told = phase_error(steady(), paused)
    assert whole is not None
    assert told is not None
    assert told[0] == pytest.approx(0.07, abs=1e-9)
    # a pause of just the deadline is none
    before_ns = found.before_ns.copy()
    before_ns[:5] -= 150 * MS
    kept = silence(found.from_ns, found.to_ns, before_ns=before_ns.tolist(), after_ns=found.after_ns.tolist())
    assert phase_error(steady(), kept) is None  # five of ten are half a period off: no phase is agreed on


def test_the_mean_period_comes_from_the_runs_without_a_silence() -> None:
    # 0 … 10 s and 20 … 40 s at 100.2 ms; between them a run of frames at twice that pace
    runs = ((0, 101, 100.2), (20 * S, 201, 100.2), (50 * S, 101, 50.0))
    ends_ns = [(from_ns, from_ns + round((n - 1) * period * MS)) for from_ns, n, period in runs]
    silences = [
        silence(ends_ns[0][1], ends_ns[1][0], nth=101),
        silence(ends_ns[1][1], ends_ns[2][0], nth=302),
        silence(ends_ns[2][1], None, nth=403),
    ]
    found = stream(*silences, exact_period_ns=100.0 * MS, count=403, first_ns=0, last_ns=ends_ns[2][1]).mean_period()
    assert found is not None
    assert found[0] == pytest.approx(100.2 * MS, rel=1e-12)
    assert found[1] == 300


def test_the_mean_period_without_a_steady_run_is_the_rhythms_own() -> None:
    assert stream(exact_period_ns=100.0 * MS, count=2, last_ns=101 * MS).mean_period() == (101.0 * MS, 1)
    assert stream(exact_period_ns=100.0 * MS, count=1, last_ns=0).mean_period() == (100.0 * MS, 1)
    for factor, is_steady in ((1.02, True), (1.021, False), (0.98, True), (0.979, False)):
        last_ns = round(1000 * PERIOD_NS * factor)
        found = stream(exact_period_ns=100.0 * MS, count=1001, last_ns=last_ns).mean_period()
        assert found == ((last_ns / 1000, 1000) if is_steady else (100.0 * MS, 1))
    assert stream().mean_period() is None


def test_the_mean_period_is_worked_out_once() -> None:
    one = steady()
    assert one.mean_period() is one.mean_period()


def test_the_pace_before_a_silence_is_the_median_of_the_last_five_intervals_where_the_period_is_not_fixed() -> None:
    before_ns = [0, 10 * MS, 20 * MS, 110 * MS, 220 * MS, 320 * MS, 410 * MS, 530 * MS]
    found = silence(530 * MS, S, before_ns=before_ns)
    assert stream(found, period_ns=70 * MS).pace_ns(found) == 100 * MS  # of 90, 110, 100, 90 and 120
    assert stream(found, period_ns=70 * MS, exact_period_ns=70.0 * MS).pace_ns(found) == 70 * MS
    three, two = silence(300, S, before_ns=[0, 100, 300]), silence(300, S, before_ns=[0, 300])
    assert stream(period_ns=70 * MS).pace_ns(three) == 150
    assert stream(period_ns=70 * MS).pace_ns(two) == 70 * MS


def test_the_silence_over_a_stretch_is_the_one_that_covers_it() -> None:
    first, last = silence(10, 20), silence(30, None)
    one = stream(first, last)
    assert [one.silence_over(*stretch) for stretch in ((10, 20), (12, 20), (10, 21), (9, 12), (25, 28))] == [
        *(first, first, None, None, None)
    ]
    assert [one.silence_over(*stretch) for stretch in ((30, 99), (29, 30))] == [last, None]


def test_arrivals_on_both_sides_of_the_turn_of_a_period_agree() -> None:
    # three just after it and three just before it are more than the four half a period off
    arrivals_ns = [(100 * k + off) * MS for k, off in enumerate((0, 2, 2, 98, 98, 98, 50, 50, 50, 50))]
    phase, spread, n = _mean_phase(np.array(arrivals_ns) / PERIOD_NS)
    assert n == 6
    assert (circular(phase), spread, n) == pytest.approx(
        (circular(one_phase(arrivals_ns)[0]), *one_phase(arrivals_ns)[1:])
    )


def test_a_timer_set_anew_after_each_frame_wanders_and_proves_no_restart() -> None:
    # a task that sets its timer after it has sent: each interval adds its own error to the phase
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ticks = np.cumsum(PERIOD_NS + rng.normal(0.0, 1.5 * MS, 400)).astype(np.int64)
        before, after = ticks[84:100], ticks[300:316]  # two hundred frames are missing
        found = silence(int(before[-1]), int(after[0]), before_ns=before.tolist(), after_ns=after.tolist())
        told = phase_error(steady(), found)
        assert told is None or abs(told[0]) < 4.0 * told[1]
