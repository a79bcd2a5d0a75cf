"""What measured values do before the dropouts: how low, how high, how fast, against the rest of the time.

Takes dropouts (`Dropouts`, of a controller, a group, or all) and the values of the same record in cells of time; gives
one `Covariate` for each pair, found or not, so that the caller can correct for all that was tried, events included.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from busdoc.arrays import Float32Array, Float64Array, Int64Array
from busdoc.decode.signals.cells import CellSeries
from busdoc.intermittent.dropouts import LEAST_DROPOUTS, Dropouts
from busdoc.intermittent.precursors.covariate_features import (
    CellPlan,
    FeatureKind,
    Places,
    ends_of,
    features_of,
    places_of,
)
from busdoc.intermittent.precursors.covariate_ranking import WORTH_MORE, FeatureTest, test_features
from busdoc.intermittent.precursors.precursor import Precursor, explained_share
from busdoc.kernels.cores import cores, threads
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted
from busdoc.words.duration import duration

__all__ = ["Covariate", "area_interval", "find_covariates"]

_MANY = 10
_WORTH_OF_MANY = 0.01
"""Of so many values and more, none with a larger p at first sight can be found: corrected, it is beyond 0.05."""
_SURE = 1e-9
"""Of two features with smaller p-values than this, neither is the surer one."""
_WORTH_THREADS = 40
_MOST_THREADS = 4
_DRAWS = 200
_SEED = 20_161_115


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariate(Precursor):
    """One measured value against one set of dropouts, in the feature and direction that tells most."""

    unit: str
    kind: FeatureKind
    direction: int
    """-1: low values (or falls) go before dropouts; 1: high ones (or rises)."""
    separates: float
    """Probability that the feature is further in `direction` before a dropout than at another time (the area under
    the receiver operating characteristic): 1 always, 0.5 as chance has it."""
    separates_low: float
    separates_high: float
    """95 % interval (Hanley & McNeil, Radiology 143 (1982) 29-36)."""
    threshold: float
    """Separates dropouts from the rest best, in `unit` (a slope: per second)."""
    threshold_low: float
    threshold_high: float
    """95 % interval, by drawing the dropouts anew (bootstrap); where p is beyond 0.01, all that the dropouts show."""
    n_beyond: int
    """Dropouts with the feature beyond the threshold."""
    share_beyond: float
    """Of the rest of the time with it beyond."""
    before: tuple[float, ...] = ()
    """The feature before each dropout that has one, by time, for the picture."""
    rest_quantiles: tuple[float, ...] = ()
    """Its 0 %, 1 %, … 100 % quantiles in the rest of the time, for the picture; may be empty where p is beyond 0.01."""

    @property
    def is_voltage(self) -> bool:
        """Tell whether it is a voltage."""
        return self.unit.strip().lower() in ("v", "mv", "volt", "volts")

    @property
    def subject(self) -> str:
        """The value as the subject of a sentence."""
        return self.name

    @property
    def words(self) -> str:
        """Say what was counted, in one sentence."""
        window = f"the last {duration(round(self.window_s * SECOND_NS))}"
        limit = f"{_number(self.threshold, self.threshold_low, self.threshold_high)} {self.unit}".strip()
        side = "below" if self.direction < 0 else "above"
        if self.kind is FeatureKind.SLOPE:
            did = f"changed by {'less' if self.direction < 0 else 'more'} than {limit} a second over {window}"
            if self.direction * self.threshold >= 0.0:
                verb = "fell" if self.direction < 0 else "rose"
                did = f"{verb} by more than {limit.lstrip('-')} a second over {window}"
        else:
            did = f"was {side} {limit} {'just' if self.kind is FeatureKind.LEVEL else f'in {window}'}"
        return (
            f"{self.name} {did} before {self.n_beyond} of {counted(self.n_dropouts, self.called)}, and "
            f"{_percent(self.share_beyond)} the rest of the time."
        )


def find_covariates(
    dropouts: Sequence[Dropouts], series: Sequence[CellSeries], plan: CellPlan
) -> tuple[Covariate, ...]:
    """Hold every measured value against every set of dropouts.

    Parameters
    ----------
    dropouts : sets with fewer than three dropouts are passed over
    series : in the cells of `plan`; values that hardly ever show, or never change, are passed over
    plan : made for the same dropouts

    Returns
    -------
    one for each set and value tried, by set, then by p
    """
    found: list[Covariate] = []
    for one in dropouts:
        if len(one) < LEAST_DROPOUTS:
            continue
        places = places_of(plan, one)
        worth = WORTH_MORE if len(series) < _MANY else _WORTH_OF_MANY
        tried = partial(_covariate, one, plan=plan, places=places, worth=worth)
        own = _each(tried, [single for single in series if _concerns(single, one)])
        found += sorted((c for c in own if c is not None), key=lambda c: (c.p, -c.explained, c.name))
    return tuple(found)


def _each(tried: Callable[[CellSeries], Covariate | None], series: Sequence[CellSeries]) -> Iterable[Covariate | None]:
    """Try each value; many of them in threads, since sorting leaves the interpreter to others."""
    n_threads = min(_MOST_THREADS, cores())
    if len(series) < _WORTH_THREADS or n_threads == 1:
        return map(tried, series)
    with threads(n_threads, "values") as pool:
        return list(pool.map(tried, series))


def _concerns(series: CellSeries, dropouts: Dropouts) -> bool:
    return not series.controllers or set(dropouts.controllers) == set(series.controllers)


def _covariate(
    dropouts: Dropouts, series: CellSeries, plan: CellPlan, places: Sequence[Places], worth: float
) -> Covariate | None:
    at_places = np.searchsorted(plan.places_ns, ends_of(dropouts), side="right") - 1
    p, tests = test_features(features_of(series, plan, places), at_places, worth)
    if not tests:
        return None
    # The feature to tell of: of those that are as sure, a value before a slope, and what explains most.
    best = min(tests, key=lambda test: (test.best_p, test.feature.window_ns))
    as_good = [test for test in tests if test.best_p <= max(best.best_p, _SURE)] if best.best_p <= _SURE else [best]
    values = [test for test in as_good if test.feature.kind is not FeatureKind.SLOPE] or as_good
    told = [_separated(dropouts, series, test, p, closely=p <= worth) for test in values]
    return max(told, key=lambda one: (round(one.explained, 2), one.kind is not FeatureKind.LEVEL, -one.window_s))


def _separated(dropouts: Dropouts, series: CellSeries, test: FeatureTest, p: float, *, closely: bool) -> Covariate:
    """Find the threshold under which what is seen is least like chance, and how well the feature tells dropouts.

    The threshold maximises the likelihood ratio of 'so many of the dropouts beyond' against 'as many as of the rest';
    its interval is that of thresholds found for dropouts drawn anew (bootstrap, B. Efron, Annals of Statistics 7
    (1979) 1-26).

    Parameters
    ----------
    closely : False: the interval is all that dropouts show, and there is no picture, for what is no finding anyway
    """
    feature, sign = test.feature, -test.direction
    far = feature.rest[feature.is_far & ~np.isnan(feature.rest)]
    # Turned so that low is what goes before dropouts.
    before = np.sort(sign * test.before).astype(np.float64)
    rest = np.sort(sign * (far if len(far) else test.all_values)).astype(np.float64)
    # A threshold for each dropout's value, and the share of the rest up to it.
    n_below, n_up_to = (np.searchsorted(rest, before, side=side) for side in ("left", "right"))
    limit, share = _midway(before, rest), n_up_to / len(rest)
    best = int(_best(np.ones((1, len(before)), np.int64), share)[0])
    ends = _interval(limit, share) if closely else (float(limit[0]), float(limit[-1]))
    low, high = sorted(sign * end for end in ends)
    area = 1.0 - float((n_below + n_up_to).mean()) / (2.0 * len(rest))
    area_low, area_high = area_interval(area, test.n_effective, _independent_looks(feature.rest))
    return Covariate(
        name=series.name,
        signal=series.signal,
        unit=series.unit,
        controllers=dropouts.controllers,
        called=dropouts.called,
        kind=feature.kind,
        direction=test.direction,
        window_s=feature.window_ns / SECOND_NS,
        n_dropouts=len(before),
        separates=area,
        separates_low=area_low,
        separates_high=area_high,
        threshold=sign * float(limit[best]),
        threshold_low=low,
        threshold_high=high,
        n_beyond=best + 1,
        share_beyond=float(share[best]),
        explained=explained_share(best + 1, len(before), float(share[best])),
        p=p,
        before=tuple(test.before.tolist()),
        rest_quantiles=tuple(np.quantile(sign * rest, np.linspace(0.0, 1.0, 101)).tolist()) if closely else (),
    )


def _interval(limit: Float64Array, share: Float64Array) -> tuple[float, float]:
    """Give the 95 % interval of the best threshold, among those given."""
    rng = np.random.default_rng(_SEED)
    drawn = rng.multinomial(len(limit), np.full(len(limit), 1.0 / len(limit)), size=_DRAWS)
    low, high = np.quantile(limit[_best(drawn, share)], (0.025, 0.975), method="nearest").tolist()
    return low, high


def area_interval(area: float, n: float, m: float) -> tuple[float, float]:
    """Give the 95 % interval of an area under the receiver operating characteristic.

    J. A. Hanley & B. J. McNeil, Radiology 143 (1982) 29-36; the area is drawn in a little before the error is worked
    out, which keeps some at areas of 0 and 1.

    >>> [round(limit, 3) for limit in area_interval(0.75, 20.0, 1000.0)]
    [0.6, 0.855]
    """
    drawn = (area * n + 1.0) / (n + 2.0)
    both_before, both_rest = drawn / (2.0 - drawn), 2.0 * drawn**2 / (1.0 + drawn)
    n, m = max(n, 1.0), max(m, 1.0)
    spread = drawn * (1.0 - drawn)
    spread += (n - 1.0) * (both_before - drawn**2) + (m - 1.0) * (both_rest - drawn**2)
    error = 1.96 * float(np.sqrt(max(spread, 0.0) / (n * m)))
    return max(0.0, min(area, drawn - error)), min(1.0, max(area, drawn + error))


def _midway(before: Float64Array, rest: Float64Array) -> Float64Array:
    """(n,) Give a threshold for each dropout's value: midway to the next greater value of the rest."""
    above = np.append(rest, rest[-1])[np.searchsorted(rest, before, side="right")]
    ahead = np.append(before[1:], np.inf)
    return np.asarray(np.where(above > before, (before + np.minimum(above, ahead)) / 2.0, before), np.float64)


def _best(drawn: Int64Array, share: Float64Array) -> Int64Array:
    """(d,) Give the place of the best threshold among the dropouts' values, for each of d draws.

    Parameters
    ----------
    drawn : (d, n) how often each dropout was drawn
    share : (n,) of the rest up to each dropout's value, ascending
    """
    n = drawn.sum(axis=1)[:, None]
    hit = np.cumsum(drawn, axis=1) / n
    q = np.clip(share, 1e-9, 1.0)[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = hit * np.log(hit / q) + np.where(hit < 1.0, (1.0 - hit) * np.log((1.0 - hit) / (1.0 - q)), 0.0)
    gain = np.where((hit > q) & (drawn > 0), gain, -1.0)
    return np.asarray(np.argmax(gain, axis=1), np.int64)


def _independent_looks(at_places: Float32Array) -> float:
    """Give how many independent ones the places amount to, from how like its neighbour each is.

    G. V. Bayley & J. M. Hammersley, Supplement to the Journal of the Royal Statistical Society 8 (1946) 184-197, for an
    autocorrelation that falls off exponentially.
    """
    values = at_places[~np.isnan(at_places)].astype(np.float64)
    values -= values.mean()
    power = float(values @ values)
    like = float(values[1:] @ values[:-1]) / power if power > 0.0 else 0.0
    like = min(max(like, 0.0), 1.0 - 1.0 / len(values))
    return max(1.0, len(values) * (1.0 - like) / (1.0 + like))


def _number(value: float, low: float, high: float) -> str:
    """Write a threshold with as many digits as its interval bears out, and one more."""
    width = max(high - low, abs(value) * 1e-4, 1e-9)
    return f"{value:.{int(np.clip(1 - np.floor(np.log10(width)), 0, 6))}f}"


def _percent(share: float) -> str:
    if share <= 0.0:
        return "never in"
    percent = 100.0 * share
    return f"for {percent:.1f} % of" if percent >= 0.05 else "for less than 0.1 % of"
