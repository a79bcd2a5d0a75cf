"""The evidence for and against one part, worked out part by part, press by press, without arrays.

To be read beside docs/probabilities.md, "Which part". It holds for records of plugs that are pulled and put back, one
press near an incident at most; the numbers are those of the document. Readings of a press are how late it may have been
written down (`lateness_weights` says how likely each is), and whether it is right at all.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import erf, exp, log, pi, sqrt

import numpy as np
import numpy.typing as npt

from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses
from busdoc.isolation.suspects.press_timing import lateness_weights
from busdoc.machine.machine import PartKind

__all__ = ["Record", "Weighed", "background_density", "weigh_part"]

WRONG, CONTRADICTED, MEANT, AGAIN = 0.01, 0.5, 0.3, 0.12
NOT_REACHED, RODE_THROUGH, HEARD_BEYOND_A_CUT = 1e-3, 0.2, 0.05
NODES = [n / 10.0 for n in range(-30, 51)]


@dataclass(frozen=True)
class Record:
    """What was seen and written down, s from the start."""

    reach: Reach
    losses: Losses
    written: list[float]
    sigma: list[float]
    """How far each time that was written may be off, s."""
    presses: list[tuple[str, str]]
    """(part, kind) of every press."""
    kinds: list[PartKind | None]
    span: float

    def stretch(self, t: float) -> int:
        """How many presses come before, as they were likeliest done."""
        return sum(at < t for at in self.likely)

    @cached_property
    def likely(self) -> list[float]:
        """A press is likeliest half a second before it was written, for the usual second of uncertainty."""
        return [w - 0.5 * sigma for w, sigma in zip(self.written, self.sigma, strict=True)]

    def readings(self, m: int) -> list[tuple[float, float]]:
        """(weight, when the press was really made)"""
        return [(w, self.written[m] - node * self.sigma[m]) for w, node in zip(lateness_weights(), NODES, strict=True)]

    def joined(self, p: int, c: int, t: float) -> bool:
        return bool(self.reach.reaches[self.stretch(t), p, c])

    def edges(self) -> list[float]:
        gone_and_back = [edge for absences in self.losses.away for absence in absences for edge in absence]
        every = {0.0, self.span, *self.likely, *gone_and_back, *self.losses.t_s[:1]}
        return sorted(t for t in every if 0.0 <= t <= self.span)

    def stint(self, p: int, t: float) -> int:
        """How often what the part is plugged to has changed."""
        r = self.reach.reaches
        return sum(bool((r[m][p] != r[m + 1][p]).any()) for m in range(self.stretch(t)))

    def moves(self, p: int) -> bool:
        return bool((self.reach.reaches[:, p] != self.reach.reaches[0, p]).any())

    def doubt(self, p: int, stretch: int) -> float:
        """That what is written of a part in a stretch is wrong."""
        if not self.moves(p):
            return 0.0
        doubts = [WRONG]
        acts = self.presses
        for m, (part, kind) in enumerate(acts):
            if not self.reach.odd[m]:
                continue
            last = max((j for j in range(m) if acts[j][0] == part), default=-1)
            if self.reach.touched[m, p] and last < stretch <= m:
                doubts.append(CONTRADICTED)
            other = max((j for j in range(last + 1, m) if acts[j][1] != kind), default=None)
            if other is not None and self.reach.touched[other, p]:
                until = min((i for i in range(other + 1, len(acts)) if acts[i][0] == acts[other][0]), default=len(acts))
                if other < stretch <= until:
                    doubts.append(MEANT)
        return max(doubts)


@dataclass
class Weighed:
    """Of one part, at one rate."""

    hazard: list[float]
    """Density of each incident if it made it, over that if another did."""
    survival: float


def weigh_part(record: Record, p: int, rate: float) -> Weighed:
    """Go through the incidents, each of which ends the quiet of the plugging that it came in."""
    losses, first = record.losses, float(record.losses.t_s[0]) if len(record.losses.t_s) else float("inf")
    quiet = [
        (a, b)
        for a, b in pairwise(record.edges())
        if a >= first - 1e-9 and _exposed(record, p, (a + b) / 2.0)
    ]  # fmt: skip
    hazard, survival, shown_in = [], 1.0, None
    for k, t in enumerate(losses.t_s.tolist()):
        hit = _which(losses.hit[k])
        since = min(float(losses.since_s[k, c]) for c in hit)
        near = [m for m, w in enumerate(record.written) if abs(w - t) < 5.0 * record.sigma[m]]
        joins = [m for m in near if _changes(record, m, p, hit, joins=True)]
        parts = [m for m in near if _changes(record, m, p, hit, joins=False)]
        # every reading of a press nearby that put it in: exposed since then, or not exposed yet
        shows, alive, reached = rate, 1.0, set(_which(record.reach.reaches[record.stretch(t), p]))
        if not reached & set(hit):
            shows = 0.0
        counted_apart = (t, t)
        if joins:
            (m,) = joins
            counted_apart = (max(record.likely[m], since), t)
            stays = [(w, exp(-rate * (t - max(at, since))) if at < t else 1.0, at < t) for w, at in record.readings(m)]
            stays = [(w, min(s, 1.0), done) for w, s, done in stays]
            alive = sum(w * s for w, s, _ in stays)
            shows = rate * sum(w * s for w, s, done in stays if done) / alive
            reached |= set(_which(record.reach.reaches[m + 1, p]))
            quiet = [(a, b) for a, b in quiet if not counted_apart[0] < (a + b) / 2.0 < counted_apart[1]]
        if parts:
            (m,) = parts
            still_in = sum(w for w, at in record.readings(m) if at > t)
            shows = still_in * rate
            reached |= set(_which(record.reach.reaches[m, p]))
        # who fell, and who did not
        fits = _fits(record, k, p, reached)
        ever = _fits(record, k, p, set(_which(np.any(record.reach.reaches[:, p], axis=0))))
        told = fits > 0.0
        stint = record.stint(p, t)
        doubt = record.doubt(p, record.stretch(t))
        if not told and shown_in == stint:
            doubt = max(doubt, AGAIN)
        ended = [(a, b) for a, b in quiet if told and (a + b) / 2.0 < t and record.stint(p, (a + b) / 2.0) == stint]
        quiet = [one for one in quiet if one not in ended]
        stays_quiet = alive * exp(-rate * sum(b - a for a, b in ended)) if told else 1.0
        if k == 0 and (told or any(passed for _, passed in _before(record, p, first, counted_apart))):
            stays_quiet = alive * _sound_or_quiet(_before(record, p, first, counted_apart), rate)
        beside = (1.0 - doubt) * stays_quiet + doubt
        made = (1.0 - doubt) * stays_quiet * shows * fits + doubt * _against_what_is_written(record, k, rate) * ever
        hazard.append(
            (made / beside if beside else 0.0)
            * _restarted(record.kinds[p], losses.p_restarted[k])
            * _came_back(record, k, p)
        )
        survival *= beside
        if not told and ever > 0.01:
            shown_in = stint
    for stint in {record.stint(p, t) for t in record.edges()}:
        left = [(a, b) for a, b in quiet if record.stint(p, (a + b) / 2.0) == stint]
        middles = [(a + b) / 2.0 for a, b in pairwise(record.edges())]
        doubt = max((record.doubt(p, record.stretch(x)) for x in middles if record.stint(p, x) == stint), default=0.0)
        if left:
            # Quiet that goes on tells no faster than that of a fault that shows within twelve seconds with 95 %.
            survival *= (1.0 - doubt) * exp(-min(rate, log(20.0) / 12.0) * sum(b - a for a, b in left)) + doubt
    return Weighed(hazard=hazard, survival=survival)


def background_density(record: Record, k: int) -> float:
    """The density of an incident that no part of the map made, over the rate of the background."""
    several = 0.03 if record.losses.hit[k].sum() > 1 else 1.0
    p = _sure_at_most(record.losses.p_restarted[k])
    return several * 2.0 * (0.8 * p + 0.2 * (1.0 - p)) * _came_back(record, k, None)


def _which(true: npt.ArrayLike) -> list[int]:
    return [int(c) for c in np.flatnonzero(true)]


def _changes(record: Record, m: int, p: int, hit: list[int], *, joins: bool) -> bool:
    before, after = record.reach.reaches[m, p], record.reach.reaches[m + 1, p]
    return any((after[c] and not before[c]) if joins else (before[c] and not after[c]) for c in hit)


def _exposed(record: Record, p: int, t: float) -> bool:
    """Whether it is joined to a controller that is on the bus."""
    return any(
        record.joined(p, c, t) and not any(a < t < b for a, b in absences)
        for c, absences in enumerate(record.losses.away)
    )


def _before(record: Record, p: int, first: float, counted_apart: tuple[float, float]) -> list[tuple[float, float]]:
    """(length, exposure) of the pieces of time until the first trouble."""
    pieces = [(a, b, (a + b) / 2.0) for a, b in pairwise(record.edges()) if b <= first]
    apart = counted_apart
    return [(b - a, b - a if _exposed(record, p, x) and not apart[0] < x < apart[1] else 0.0) for a, b, x in pieces]


def _sound_or_quiet(pieces: list[tuple[float, float]], rate: float) -> float:
    """Bad from before, as likely as begun at an even time until the first trouble."""
    after, began = 0.0, 0.0
    for length, exposure in reversed(pieces):
        began += exp(-rate * after) * ((1.0 - exp(-rate * exposure)) / rate if exposure else length)
        after += exposure
    return 0.5 * exp(-rate * after) + 0.5 * began / sum(length for length, _ in pieces)


def _fits(record: Record, k: int, p: int, reached: set[int]) -> float:
    up, hit = record.losses.up[k], record.losses.hit[k]
    reached = {c for c in reached if up[c]}
    if not any(hit[c] for c in reached):
        return 0.0
    lasted = min(
        b - a
        for c in _which(hit)
        for a, b in record.losses.away[c]
        if a <= record.losses.t_s[k] <= b
    )  # fmt: skip
    spared = HEARD_BEYOND_A_CUT if record.kinds[p] is PartKind.SEGMENT and lasted > 2.0 else RODE_THROUGH
    n_extra = sum(bool(hit[c]) and c not in reached for c in range(len(hit)))
    n_spared = sum(not hit[c] for c in reached)
    return NOT_REACHED**n_extra * spared**n_spared


def _against_what_is_written(record: Record, k: int, rate: float) -> float:
    """Exposed though it should be out: put in at the latest press, or at any time in the half minute before it."""
    t = float(record.losses.t_s[k])
    since = min(float(record.losses.since_s[k, c]) for c in _which(record.losses.hit[k]))
    past = [m for m, w in enumerate(record.written) if w < t + 2.0]
    begun = max(since, record.written[past[-1]]) if past else max(since, 0.0)
    spread = max(t - max(since, begun - 30.0), 1.0)
    density = 0.5 * (1.0 - exp(-rate * spread)) / spread
    if past:
        waits = [(w, t - max(at, since)) for w, at in record.readings(past[-1])]
        density += 0.5 * rate * sum(w * exp(-rate * waited) for w, waited in waits if waited > 0.0)
    return density


def _sure_at_most(p_restarted: float) -> float:
    return 0.5 if p_restarted != p_restarted else min(max(round(float(p_restarted), 3), 0.005), 0.995)


def _restarted(kind: PartKind | None, p_restarted: float) -> float:
    """Without supply controllers restart, cut off the bus hardly ever; a branch restarts its own."""
    p = _sure_at_most(p_restarted)
    restarts = {PartKind.FEED: 0.98, PartKind.SEGMENT: 0.03}.get(kind, 0.95) if kind is not None else 0.95
    return 2.0 * (restarts * p + (1.0 - restarts) * (1.0 - p))


def _log_normal(x: float, median: float, spread: float) -> float:
    return exp(-0.5 * (log(x / median) / spread) ** 2) / (spread * sqrt(2.0 * pi))


def _came_back(record: Record, k: int, p: int | None) -> float:
    """How the loss ended, all of those that share a controller counting once; None: if it restarted of itself."""
    hit = record.losses.hit
    fell = _which(hit[k])
    alike = sum(bool((hit[k] & hit[j]).any()) for j in range(len(hit)))
    product = 1.0
    for c in fell:
        t = float(record.losses.t_s[k])
        lasted = next(b for a, b in record.losses.away[c] if a <= t <= b) - t
        product *= _one_came_back(record, p, c, t, lasted) ** (1.0 / (alike * len(fell)))
    return product


def _one_came_back(record: Record, p: int | None, c: int, t: float, lasted: float) -> float:
    """Back after a restart, or when the fault let go, or a start after the part came out that held it down.

    Where somebody took its supply or bus away meanwhile, it only is known to have stayed away until then.
    """
    done = [sum(w * at for w, at in record.readings(m)) for m in _which(record.reach.takes[:, c])]
    taken = [at for at in done if t < at < t + lasted + 3.0]
    until = min(taken[0], t + lasted) if taken else t + lasted
    alone, lasted = not taken, max(until - t, 0.1)
    if p is None:
        return _ended(0.03, lasted, 2.7, 0.5, alone=alone)
    if record.kinds[p] in (PartKind.FEED, PartKind.SEGMENT):
        return _ended(0.06, lasted, 6.0, 1.0, alone=alone)
    latches, holds = 0.45, 0.55 * 0.2
    held = 0.0 if alone else 1.0
    for m in range(len(record.written)):
        if _changes(record, m, p, [c], joins=False) and max(at for _, at in record.readings(m)) >= t:
            starts = [(weight, t + lasted - at) for weight, at in record.readings(m) if at < t + lasted]
            if alone:
                held = max(held, lasted * sum(weight * _log_normal(x, 2.7, 0.5) / x for weight, x in starts))
            else:
                held = min(held, 1.0 - sum(weight * _normal(log(x / 2.7) / 0.5) for weight, x in starts))
    return max((1.0 - holds) * _ended(latches, lasted, 6.0, 1.0, alone=alone) + holds * held, 1e-3)


def _ended(stays: float, lasted: float, median: float, spread: float, *, alone: bool) -> float:
    """Alone, after so long; or not yet."""
    if alone:
        return max((1.0 - stays) * _log_normal(lasted, median, spread), 1e-3)
    return max(stays + (1.0 - stays) * (1.0 - _normal(log(lasted / median) / spread)), 1e-3)


def _normal(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))
