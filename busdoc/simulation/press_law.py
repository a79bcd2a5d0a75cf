"""How late a press comes after the hand: six laws, so that nobody who reads presses is judged by one law alone.

A law is a curve from chance to lateness. Every law takes one and the same draw of the generator, and takes it in the
same order: of two sessions of one seed under two laws, only the written times differ.
"""

import math
from enum import StrEnum
from statistics import NormalDist

import numpy as np

__all__ = ["HEAVY_LATEST_S", "HEAVY_SHAPE", "PressLaw", "draw_lag_s"]

HEAVY_SHAPE = 1.5
"""Of the heavy tail: so heavy that its variance is infinite before the cut."""
HEAVY_LATEST_S = 30.0
"""Where the heavy tail is cut; a press that would come later is in the field one that was forgotten."""


class PressLaw(StrEnum):
    """The law of lateness, by the mean m (`Habits.lag_s`) and the latest L (`Habits.most_lag_s`), s."""

    EXPONENTIAL = "exponential"
    """Mean m, cut at L."""
    HALF_NORMAL = "half-normal"
    """Mean m, so sigma m sqrt(pi/2); cut at L."""
    UNIFORM = "uniform"
    """From 0 to L."""
    HEAVY_TAIL = "heavy-tail"
    """Lomax, P(later than x) = (1 + x / (m (a - 1)))^-a, of mean m and shape a = `HEAVY_SHAPE`; cut at
    `HEAVY_LATEST_S`. With half a second for m, one press in 27 is over 2 s late and one in 96 over 5 s."""
    ALWAYS_LATE = "always-late"
    """From L/2 to L, uniform: nobody presses at once."""
    ALWAYS_EARLY = "always-early"
    """From L/2 to L *before* the hand, uniform: first the press, then the plug."""


def draw_lag_s(law: PressLaw, rng: np.random.Generator, mean_s: float, most_s: float) -> float:
    """Draw how late a press comes, s; negative: how early.

    Parameters
    ----------
    law : which curve
    rng : gives one exponential draw, whatever the law; none where `mean_s` is 0, and every press is then on time
    mean_s, most_s : the law's parameters, s, as `PressLaw` says
    """
    if mean_s <= 0.0:
        return 0.0
    drawn_s = float(rng.exponential(mean_s))
    if law is PressLaw.EXPONENTIAL:
        return min(drawn_s, most_s)
    left = math.exp(-drawn_s / mean_s)  # uniform in (0, 1]: the chance of a draw that is later still
    if law is PressLaw.HALF_NORMAL:
        # Its upper tail is twice the normal one's; left = 1 is the median, lateness 0.
        sigmas = -NormalDist().inv_cdf(max(left / 2.0, 1e-300))
        return min(max(sigmas, 0.0) * mean_s * math.sqrt(math.pi / 2.0), most_s)
    if law is PressLaw.HEAVY_TAIL:
        return min(mean_s * (HEAVY_SHAPE - 1.0) * (math.pow(left, -1.0 / HEAVY_SHAPE) - 1.0), HEAVY_LATEST_S)
    if law is PressLaw.UNIFORM:
        return most_s * (1.0 - left)
    between_s = most_s * (1.0 - left / 2.0)
    return between_s if law is PressLaw.ALWAYS_LATE else -between_s
