"""How often dropouts come, and how they lie in time: trend, bursts, time of day, after a start; how long they last.

Takes the unexplained losses of a controller, of a group, or of the whole machine, with what was watched; gives one
`Rate`. What the times show is tested (`ShapeTest`); the caller corrects the p-values over everything that it tried.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.intermittent.binomial import at_least
from busdoc.intermittent.dropouts import Watched
from busdoc.intermittent.precursors.precursor import FOUND_AT
from busdoc.intermittent.rate_tests import garwood, greenwood_p, halves_p, halving_seen_after, laplace_trend, phase_p
from busdoc.isolation.suspects.dwell import quiet_to_prove
from busdoc.times import SECOND_NS, since_midnight_ns, zone_name
from busdoc.words.counting import counted
from busdoc.words.duration import span

__all__ = ["Outage", "Rate", "RateColumn", "Shape", "ShapeTest", "StillNeeded", "measure_rate"]

_DAY_NS = 86_400 * SECOND_NS
_SAME_BURST = 1.0 / 20.0
"""Pauses shorter than this share of the mean one join a burst; by chance one in twenty is."""
_DAY_FROM_S = 20 * 3600.0
"""A time of day is looked for from so long a recording on; a shorter one cannot tell it from a trend."""
_START_WINDOWS_S = (60.0, 600.0)
_COLUMNS = 24
_ENOUGH = 10
"""Dropouts with which antecedents begin to be told apart."""


class Shape(StrEnum):
    """How dropouts may lie in time."""

    TREND = "trend"
    BURSTS = "bursts"
    TIME_OF_DAY = "time of day"
    AFTER_POWER_UP = "after power-up"
    AFTER_RETURN = "after return"


_CLAIMS = {
    Shape.TREND: ("their rate changes", "no trend that chance would not make"),
    Shape.BURSTS: ("they come in bursts", "no more clustered than chance makes them"),
    Shape.TIME_OF_DAY: ("they keep to a time of day", "no time of day stands out"),
    Shape.AFTER_POWER_UP: ("they come soon after the machine got power", "not bound to the machine's power-up"),
    Shape.AFTER_RETURN: ("they come again soon after the last return", "not bound to the last return"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeTest:
    """One question about how the dropouts lie in time."""

    shape: Shape
    p: float
    p_holm: float
    """Corrected for every such question that was asked of the record; as `p` until the caller has done so."""
    facts: str
    """The counts, whatever they show."""
    claim: str | None = None
    """What they show if they show it; None: the usual words for this shape."""

    @property
    def found(self) -> bool:
        """Whether it stands after correction for all that was asked."""
        return self.p_holm <= FOUND_AT

    @property
    def words(self) -> str:
        """What the counts show, or do not, and the counts."""
        claim, denial = _CLAIMS[self.shape]
        return f"{(self.claim or claim) if self.found else denial}: {self.facts}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """How long the controllers stay away."""

    n: int
    """That ended within the record."""
    still_away: int
    median_s: float | None
    longest_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StillNeeded:
    """How long a recording would still have to be to say more; at the rate so far."""

    until_ten_s: float | None
    """Until there are ten dropouts; None: there are."""
    quiet_to_prove_s: float
    """Quiet after a repair that rules the old rate out with 95 %."""
    halving_seen_s: float | None
    """Until a rate half as high would be seen with 80 %; None: not with so few dropouts before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RateColumn:
    """One stretch of the record, for the eye."""

    from_ns: int
    to_ns: int
    watched_s: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How often dropouts come, and how they lie in time."""

    controllers: tuple[str, ...]
    """Whose; empty: of any controller."""
    called: str
    """What one of them is called: a dropout, a showing."""
    n: int
    """Each fall, those of a controller that restarts over and over by themselves."""
    n_apart: int
    """Restarts over and over counted once: so many dropouts can have had something before them."""
    watched_s: float
    per_hour: float
    per_hour_low: float
    per_hour_high: float
    """Exact 95 % interval (Garwood 1936), for a steady rate."""
    n_bursts: int
    """Bursts, those of a single dropout counted too."""
    first_half: int
    second_half: int
    halves_p: float
    """Two-sided and exact; over bursts where dropouts come in bursts."""
    worse: float
    """The trend's statistic in standard deviations, positive when they come more and more often."""
    tests: tuple[ShapeTest, ...]
    outage: Outage
    needed: StillNeeded
    columns: tuple[RateColumn, ...]

    def corrected(self, p_holm: Sequence[float]) -> "Rate":
        """Take the p-values that were corrected over all tests, in their order."""
        tests = tuple(replace(test, p_holm=p) for test, p in zip(self.tests, p_holm, strict=True))
        return replace(self, tests=tests)


def measure_rate(
    lost_ns: Int64Array,
    back_ns: Sequence[int | None],
    watched: Watched,
    *,
    controllers: tuple[str, ...] = (),
    called: str = "dropout",
    epoch: bool = False,
    power_ups_ns: Int64Array | None = None,
    returns_ns: Int64Array | None = None,
    n_apart: int | None = None,
) -> Rate:
    """Measure one rate.

    Parameters
    ----------
    lost_ns : (n,) int64, ns, ascending: the last frame before each dropout
    back_ns : (n,) when it was over; None: still away at the end
    watched : where a dropout could have been seen
    controllers : whose dropouts these are; empty: anybody's
    called : what one of them is called
    epoch : times are Unix times, so that a time of day can be told
    power_ups_ns : when the machine got its power
    returns_ns : when one of these controllers had come back
    n_apart : how many they are, restarts over and over counted once; None: all of them
    """
    n, watched_s = len(lost_ns), watched.total_ns / SECOND_NS
    n_apart = n if n_apart is None else n_apart
    hours = max(watched_s, 1e-9) / 3600.0
    share = watched.before(lost_ns) / max(watched.total_ns, 1)
    low, high = garwood(n)
    burst_p = greenwood_p(share)
    first: BoolArray = _firsts(share) if burst_p <= FOUND_AT else np.ones(n, np.bool_)
    n_bursts = int(_firsts(share).sum())
    if n_bursts == n:  # no two of them close: whatever else is uneven about them, they are no bursts
        burst_p, first = 1.0, np.ones(n, np.bool_)
    worse, trend_p = laplace_trend(share[first])
    halves = int((share[first] < 0.5).sum()), int((share[first] >= 0.5).sum())
    tests = [
        ShapeTest(
            shape=Shape.TREND,
            p=trend_p,
            p_holm=trend_p,
            facts=f"{halves[0]} in the first half of the time watched, {halves[1]} in the second",
            claim=f"they come {'more and more' if worse > 0.0 else 'less and less'} often",
        ),
        ShapeTest(
            shape=Shape.BURSTS,
            p=burst_p,
            p_holm=burst_p,
            facts=f"{counted(n, called)} in {n_bursts} bursts"
            if n_bursts < n
            # What is close depends on how many there are: of one controller two may be that are not among all.
            else f"{counted(n, called)}, no two of them within {span(_SAME_BURST * watched_s / max(n, 1))}",
        ),
    ]
    if epoch and watched_s >= _DAY_FROM_S:
        tests.append(_time_of_day(lost_ns[first], watched))
    for shape, starts_ns in ((Shape.AFTER_POWER_UP, power_ups_ns), (Shape.AFTER_RETURN, returns_ns)):
        if starts_ns is not None and len(starts_ns):
            tests.append(_after_starts(shape, lost_ns, starts_ns, watched))
    return Rate(
        controllers=controllers,
        called=called,
        n=n,
        n_apart=n_apart,
        watched_s=watched_s,
        per_hour=n / hours,
        per_hour_low=low / hours,
        per_hour_high=high / hours,
        n_bursts=int(first.sum()),
        first_half=halves[0],
        second_half=halves[1],
        halves_p=halves_p(*halves),
        worse=worse,
        tests=tuple(tests),
        outage=_outage(lost_ns, back_ns),
        needed=StillNeeded(
            until_ten_s=None if n_apart >= _ENOUGH else (_ENOUGH - n_apart) * watched_s / max(n_apart, 1),
            quiet_to_prove_s=quiet_to_prove(n, watched_s),
            halving_seen_s=halving_seen_after(n, watched_s),
        ),
        columns=_columns(lost_ns, watched),
    )


def _firsts(share: Float64Array) -> BoolArray:
    """Mark the dropouts that begin a burst: those after a pause of more than a twentieth of the mean one."""
    pause = np.diff(share, prepend=-1.0)
    return np.asarray(pause > _SAME_BURST / max(len(share), 1))


def _time_of_day(lost_ns: Int64Array, watched: Watched) -> ShapeTest:
    phase, null = _of_day(lost_ns), _of_day(watched.at((np.arange(2000) + 0.5) / 2000))
    p = phase_p(phase, null)
    # The four hours that hold most beyond what the time watched makes likely.
    within, expected = (_in_hours(of).mean(axis=1) for of in (phase, null))
    best = int(np.argmax(within - expected))
    zone = "local time" if zone_name() == "local" else zone_name()
    facts = (
        f"{within[best] * len(phase):.0f} of {len(phase)} between {best:02d}:00 and {(best + 4) % 24:02d}:00 {zone}, "
        f"which is {100.0 * expected[best]:.0f} % of the time watched"
    )
    return ShapeTest(shape=Shape.TIME_OF_DAY, p=p, p_holm=p, facts=facts)


def _of_day(t_ns: Int64Array) -> Float64Array:
    """(n,) fractions of the day, by the clock on the wall: shifts, sun and traffic follow that."""
    return np.array([since_midnight_ns(t) for t in t_ns.tolist()], np.float64) / _DAY_NS


def _in_hours(phase: Float64Array) -> BoolArray:
    """(24, n) Mark what lies within the four hours from each full hour on."""
    return np.asarray((phase * 24.0 - np.arange(24)[:, None]) % 24.0 < 4.0)


def _after_starts(shape: Shape, lost_ns: Int64Array, starts_ns: Int64Array, watched: Watched) -> ShapeTest:
    """Ask whether dropouts come soon after a start more often than the time spent there makes likely (binomial)."""
    starts_ns = np.sort(starts_ns)
    n_before = np.searchsorted(starts_ns, lost_ns, side="right")
    since_ns = lost_ns - starts_ns[n_before - 1]
    best: tuple[float, str] = (1.0, "")
    for window_s in _START_WINDOWS_S:
        window_ns = round(window_s * SECOND_NS)
        within = int(((n_before > 0) & (since_ns <= window_ns)).sum())
        spent = watched.share_after(starts_ns, window_ns)
        p = min(1.0, len(_START_WINDOWS_S) * float(at_least(within, len(lost_ns), spent)))
        if p <= best[0]:
            share = f"{100.0 * spent:.1f} % of the time watched"
            best = (p, f"{within} of {len(lost_ns)} within {window_s:.0f} s, {share}")
    return ShapeTest(shape=shape, p=best[0], p_holm=best[0], facts=best[1])


def _outage(lost_ns: Int64Array, back_ns: Sequence[int | None]) -> Outage:
    away_s = [
        (back - lost) / SECOND_NS for lost, back in zip(lost_ns.tolist(), back_ns, strict=True) if back is not None
    ]
    return Outage(
        n=len(away_s),
        still_away=len(back_ns) - len(away_s),
        median_s=float(np.median(away_s)) if away_s else None,
        longest_s=max(away_s, default=None),
    )


def _columns(lost_ns: Int64Array, watched: Watched) -> tuple[RateColumn, ...]:
    """Cut the record into stretches of equal length by the clock."""
    if not len(watched.from_ns):
        return ()
    start_ns, until_ns = int(watched.from_ns[0]), int(watched.to_ns[-1])
    edges_ns = np.array([start_ns + (until_ns - start_ns) * k // _COLUMNS for k in range(_COLUMNS + 1)], np.int64)
    seen_s = np.diff(watched.before(edges_ns)) / SECOND_NS
    place = np.clip(np.searchsorted(edges_ns, lost_ns, side="right") - 1, 0, _COLUMNS - 1)
    counts = np.bincount(place, minlength=_COLUMNS)
    return tuple(
        RateColumn(from_ns=a, to_ns=b, watched_s=float(s), n=int(n))
        for a, b, s, n in zip(edges_ns[:-1].tolist(), edges_ns[1:].tolist(), seen_s, counts, strict=True)
    )
