"""Cure: how long a machine must stay quiet after a repair until it may be called cured, and how sure that is by now.

What is known is how often the fault showed before: so many times in so long a time of watching. How it was found is
left to others.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.dwell import dwell_s, quiet_to_prove
from busdoc.isolation.suspects.rates import RATE_PRIOR, RATES_HZ, quiet_probability
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

__all__ = ["CURED_AT", "CureOutcome", "CureState", "FaultRate"]

CURED_AT = 0.95
"""So sure, and it is called cured (common practice)."""
_FEW = 3
"""With fewer showings the rate itself is hardly known (the exact 95 % interval of two spans a factor of thirty:
Garwood, Biometrika 28, 1936), and that faults show once an hour or more often must help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRate:
    """How often the fault showed before the repair."""

    n: int = 0
    """How many times; none: nothing is known of its rate."""
    watched_s: float = 0.0
    """How long it could have shown, s."""
    fault: str = ""
    """What showed, as a person says it; empty: any trouble."""
    concluded_s: float | None = None
    """How long the conclusion before the repair says to stay quiet, s; None: nothing concluded."""
    complaint: str | None = None
    """The symptom that was isolated, as `--symptom` names it; None: the dropouts, or any trouble."""
    only_after_starts: bool = False
    """It came only with a start of its controller: quiet under power proves nothing."""

    @property
    def needed_s(self) -> float:
        """How long to stay quiet until it is called cured.

        Notes
        -----
        Where the verdict before the repair concluded how long, that is it.

        With n showings in T the quiet t rules the old rate out where (T / (T + t))^n is 1 - confidence (Przyborowski &
        Wilenski, Biometrika 31 (1940) 313-323). With many showings that is -ln(1 - confidence) / rate, three mean
        intervals for 95 % (Hanley & Lippman-Hand, JAMA 249 (1983) 1743). With none, or fewer than three, the rate is
        taken as log-uniform from once an hour up, and its posterior is waited for.
        """
        if self.concluded_s is not None:
            return self.concluded_s
        exact_s = quiet_to_prove(self.n, self.watched_s, CURED_AT)
        return exact_s if self.n >= _FEW else min(exact_s, dwell_s(CURED_AT, self._weights))

    def confidence(self, quiet_s: float) -> float:
        """Give how surely the fault would have shown in so long a quiet, were it still there."""
        if self.concluded_s is not None:  # one rate, by which so long a quiet has 95 %
            share = max(quiet_s, 0.0) / max(self.concluded_s, 1e-9)
            return 1.0 - float((1.0 - CURED_AT) ** share)
        exact = 1.0 - (self.watched_s / (self.watched_s + quiet_s)) ** self.n if self.n and quiet_s > 0.0 else 0.0
        if self.n >= _FEW:
            return exact
        return max(exact, 1.0 - float(quiet_probability(quiet_s, self._weights)))

    @property
    def _weights(self) -> Float64Array:
        """(R,) what is known of its rate, over the grid of rates."""
        log_weight = np.log(RATE_PRIOR) + self.n * np.log(RATES_HZ) - RATES_HZ * self.watched_s
        weights: Float64Array = np.exp(log_weight - log_weight.max())
        weights /= weights.sum()
        return weights

    @property
    def words(self) -> str:
        """How often it came before.

        >>> FaultRate(n=5, watched_s=2700.0).words
        'before, one every 9 min (5 in 45 min)'
        """
        if not self.n:
            return "how often the fault came before is not known; it is taken to come once an hour or more often"
        watched = duration(round(self.watched_s * SECOND_NS))
        if self.n == 1:
            return f"before, one in {watched}"
        return f"before, one every {duration(round(self.watched_s / self.n * SECOND_NS))} ({self.n} in {watched})"


class CureOutcome(StrEnum):
    """How the watch after a repair stands."""

    WATCHING = "watching"
    CURED = "cured"
    INCIDENT = "incident"
    SHOWS = "shows"
    """The complaint is there, or there again."""
    MISSING = "missing"
    """A controller of the map was never heard."""
    CUT_SHORT = "cut short"
    """It ended before it was long enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CureState:
    """The watch after a repair, at one instant or at its end."""

    outcome: CureOutcome
    quiet_s: float
    """That counts."""
    needed_s: float
    confidence: float
    """That the fault would have shown by now."""
    pausing: bool
    """The machine is off, or is not heard: time stands still."""
    power_cycles: int
    incident: Incident | None = None
    missing: tuple[str, ...] = ()
    complaint: Symptom | None = None
    """What must stay away, as far as it ever showed or could be seen; None: nothing was asked for, or it is a code that
    never came."""
    asked: str | None = None
    """The same, as `--symptom` names it."""
    showing: ShowingSpan | None = None
    """When it showed."""
    awaits_start: bool = False
    """It comes only with a start, and there was none yet."""
    beside: tuple[str, ...] = ()
    """Fault codes that were raised meanwhile, and are not what was asked for."""
