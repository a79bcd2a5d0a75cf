"""Which bit rate the traffic itself speaks for.

Queued frames follow each other without a pause, so the time from one to the next is the length of one of them divided
by the bit rate: of the later one when a recorder stamps the end of a frame, of the earlier one when it stamps the
start. No pair can come closer. The rate is therefore the smallest usual one that hardly any pair contradicts, and it
is believed only when enough pairs lie on it; a recorder that stamps frames in batches leaves it open.
"""

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.times import SECOND_NS

__all__ = ["USUAL_BITRATES", "likely_bitrate"]

USUAL_BITRATES = (10_000, 20_000, 33_333, 50_000, 83_333, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""bit/s: CiA 301 and SAE J1939 rates, and those of single-wire and fault-tolerant buses (common practice)."""

_TOLERANCE = 0.04
"""Stamps of microseconds on frames of a hundred are good to a few per cent."""
_MOST_CONTRADICTING = 0.005
_FEWEST_ON_IT = 30
_LEAST_SHARE_ON_IT = 0.002
_SPIKE = 3
"""So many times more pairs must lie on the rate than in an equal stretch just below it, as chance puts them there."""


def likely_bitrate(t_ns: Int64Array, bits: Int64Array, steady: BoolArray | None = None) -> int | None:
    """Find the bit rate of one channel.

    Parameters
    ----------
    t_ns : (n,) int64, ns, non-decreasing: when each frame was recorded
    bits : (n,) int64: how long each is, intermission included
    steady : (n,) frames that were sent at one rate throughout and reached the wire; None: all

    Returns
    -------
    One of `USUAL_BITRATES`; None when the traffic does not decide
    """
    good = np.ones(len(t_ns), np.bool_) if steady is None else steady
    pairs = good[1:] & good[:-1] & (bits[1:] > 0) & (bits[:-1] > 0)
    pause_ns = np.maximum(np.diff(t_ns), 1).astype(np.float64)[pairs]
    if len(pause_ns) < _FEWEST_ON_IT:
        return None
    by_end = bits[1:][pairs] * SECOND_NS / pause_ns
    by_start = bits[:-1][pairs] * SECOND_NS / pause_ns
    found = [(on_it, rate) for rate, on_it in map(_smallest_allowed, (by_end, by_start)) if rate is not None]
    return max(found)[1] if found else None


def _smallest_allowed(apparent: Float64Array) -> tuple[int | None, int]:
    """Give the smallest usual rate that the pairs allow, and how many pairs lie on it."""
    for rate in USUAL_BITRATES:
        n_above = int(np.count_nonzero(apparent > rate * (1 + _TOLERANCE)))
        if n_above > _MOST_CONTRADICTING * len(apparent):
            continue
        n_on_it = _n_between(apparent, rate * (1 - _TOLERANCE), rate * (1 + _TOLERANCE))
        n_below = _n_between(apparent, rate * (1 - 3 * _TOLERANCE), rate * (1 - _TOLERANCE))
        enough = max(_FEWEST_ON_IT, _LEAST_SHARE_ON_IT * len(apparent), 4 * n_above, _SPIKE * n_below)
        return (rate, n_on_it) if n_on_it >= enough else (None, 0)
    return None, 0


def _n_between(values: Float64Array, low: float, high: float) -> int:
    return int(np.count_nonzero((values > low) & (values <= high)))
