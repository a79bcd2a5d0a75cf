"""What measured values do before the dropouts: how low, how high, how fast, against the rest of the time.

Takes dropouts (`Dropouts`, of a controller, a group, or all) and the values of the same record in cells of time; gives
one `Covariate` for each pair, found or not, so that the caller can correct for all that was tried, events included.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

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
from busdoc.intermittent.precursors.covariate_ranking import (
    WORTH_MORE,
    FeatureTest,
    Separation,
    separate,
    test_features,
)
from busdoc.intermittent.precursors.precursor import Precursor, explained_share
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

__all__ = ["Covariate", "find_covariates"]

_MANY = 10
_WORTH_OF_MANY = 0.01
"""Of so many values and more, none with a larger p at first sight can be found: corrected, it is beyond 0.05."""
_SURE = 1e-9
"""Of two features with smaller p-values than this, neither is the surer one."""


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
            f"{self.name} {did} before {self.n_beyond} of {self.n_dropouts} dropouts, and "
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
        own = [_covariate(one, single, plan, places, worth) for single in series if _concerns(single, one)]
        found += sorted((c for c in own if c is not None), key=lambda c: (c.p, -c.explained, c.name))
    return tuple(found)


def _concerns(series: CellSeries, dropouts: Dropouts) -> bool:
    return not series.controllers or set(dropouts.controllers) == set(series.controllers)


def _covariate(
    dropouts: Dropouts, series: CellSeries, plan: CellPlan, places: Sequence[Places], worth: float
) -> Covariate | None:
    at_places = np.searchsorted(plan.places_ns, ends_of(dropouts), side="right") - 1
    p, tests = test_features(features_of(series, plan, places), at_places, worth)
    if not tests:
        return None
    return _record(dropouts, series, *_most_telling(tests, closely=p <= worth), p)


def _most_telling(tests: Sequence[FeatureTest], *, closely: bool) -> tuple[FeatureTest, Separation]:
    """Choose the feature to tell of: of those that are as sure, a value before a slope, and what explains most."""
    best = min(tests, key=lambda test: (test.best_p, test.feature.window_ns))
    as_good = [test for test in tests if test.best_p <= max(best.best_p, _SURE)] if best.best_p <= _SURE else [best]
    values = [test for test in as_good if test.feature.kind is not FeatureKind.SLOPE] or as_good
    pairs = [(test, separate(test, closely=closely)) for test in values]
    return max(pairs, key=_preference)


def _preference(pair: tuple[FeatureTest, Separation]) -> tuple[float, bool, int]:
    feature = pair[0].feature
    return round(_explained(*pair), 2), feature.kind is not FeatureKind.LEVEL, -feature.window_ns


def _explained(test: FeatureTest, found: Separation) -> float:
    return explained_share(found.n_beyond, len(test.before), found.share_beyond)


def _record(dropouts: Dropouts, series: CellSeries, best: FeatureTest, found: Separation, p: float) -> Covariate:
    return Covariate(
        name=series.name,
        signal=series.signal,
        unit=series.unit,
        controllers=dropouts.controllers,
        kind=best.feature.kind,
        direction=best.direction,
        window_s=best.feature.window_ns / SECOND_NS,
        n_dropouts=len(best.before),
        separates=found.area,
        separates_low=found.area_low,
        separates_high=found.area_high,
        threshold=found.threshold,
        threshold_low=found.threshold_low,
        threshold_high=found.threshold_high,
        n_beyond=found.n_beyond,
        share_beyond=found.share_beyond,
        explained=_explained(best, found),
        p=p,
        before=tuple(best.before.tolist()),
        rest_quantiles=found.rest_quantiles,
    )


def _number(value: float, low: float, high: float) -> str:
    """Write a threshold with as many digits as its interval bears out, and one more."""
    width = max(high - low, abs(value) * 1e-4, 1e-9)
    return f"{value:.{int(np.clip(1 - np.floor(np.log10(width)), 0, 6))}f}"


def _percent(share: float) -> str:
    if share <= 0.0:
        return "never in"
    percent = 100.0 * share
    return f"for {percent:.1f} % of" if percent >= 0.05 else "for less than 0.1 % of"
