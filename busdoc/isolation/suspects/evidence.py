"""What the record says for and against every part: hazards at the incidents, and the survival of quiet exposure.

Takes the losses, the actions and the map's reach; gives arrays over parts, incidents and rates that
`busdoc.isolation.suspects.sets.posterior` multiplies out. A faulty part with rate r shows with hazard r while it is
exposed to a controller that is on the bus, and with none otherwise. Three things blur that:

* presses come late by an unknown time, so near an action exposure is summed over its lateness;
* a press may be wrong, missing or doubled, so what was written down of a part is doubted a little in every stretch,
  and a lot where a later press does not fit it;
* the part may have gone bad within the record, so quiet exposure before the first trouble counts half.

For each incident and part, with doubt d, survival s of the exposure that the incident ended, and hazard h: had the
part made it, the record has the density (1 - d) s h + d u, u being that of a part exposed against what was written;
had another made it, (1 - d) s + d. `hazard` is the first over the second, and `survival` gathers the seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.exposure_cells import Cells, before_first, cut_cells, exempt
from busdoc.isolation.suspects.failed_starts import Starts, weigh_starts
from busdoc.isolation.suspects.fault_onset import Late, weigh_late
from busdoc.isolation.suspects.hands.unwritten import weigh_hands
from busdoc.isolation.suspects.losses import Losses
from busdoc.isolation.suspects.press_timing import SPARED, WIGGLE_SHOWS, group_fit, lateness_s, shaken, soften, untold
from busdoc.isolation.suspects.prior import kind_of
from busdoc.isolation.suspects.rates import BACKGROUND_HZ, RATES_HZ, TELLS_AT_MOST_HZ, not_seen
from busdoc.isolation.suspects.recovery_evidence import weigh_returns
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS

__all__ = ["Evidence", "weigh_evidence"]

_DOUBT = 0.01
"""That what was written down of a part is wrong, where nothing contradicts it.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.evidence._DOUBT 0.003 0.03 --slips 0.03"""
_CONTRADICTED = 0.5
"""The same where a later press does not fit.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.evidence._CONTRADICTED 0.25 0.75 --slips 0.03"""
_AGAIN = 0.12
"""The same for a part that must have shown already though it should be out: one slip explains all that follows, but
several parts, each doubted, must not explain together what one that is in explains alone. A branch that no map knows
could hang on anything, and would be to blame for all that falls while it is out: each time costs it the whole doubt.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.evidence._AGAIN 0.04 0.36 --slips 0.03"""
_ACCOMPLICE = 0.3
"""The same for the part that was written down when the contradicted one may have been meant.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.evidence._ACCOMPLICE 0.1 0.6 --slips 0.03"""
_MOST_AT_ONCE = 1 << 21
"""Numbers in one table over parts, their plugs and rates (bound on work, and memory)."""
_TWICE_S = 3.0
"""The same press again within this time is a doubled one, not a contradiction.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.evidence._TWICE_S 1.5 6.0 --slips 0.03"""
_LONG_S = 2.0
"""Longer than a contact bounces (common practice)."""
_SPARED_BY_A_CUT = 0.05
"""Likelihood of each controller beyond a segment that is heard while others there are not, for longer than that.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.evidence._SPARED_BY_A_CUT 0.017 0.15"""
_TOGETHER = 0.03
"""Share of unexplained incidents that take several controllers at once.
Settled on simulated sessions, and flat; try again with:
python -m benchmarks.isolation_fit suspects.evidence._TOGETHER 0.01 0.09"""
_RESTARTS: dict[PartKind | None, float] = {PartKind.FEED: 0.98, PartKind.SEGMENT: 0.03}
"""That controllers restart: without supply for so long that they are missed, nearly always; which are only cut off the
bus, hardly ever, though some do when they hear nobody (common practice)."""
_EITHER = (PartKind.LEAD, PartKind.CONNECTOR, PartKind.TERMINATOR)
"""Parts that carry supply as well as bus, by definition: how the controllers come back tells nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """P parts, K incidents that no action explains, R rates, Z background rates."""

    hazard: Float64Array
    """(P, K, R) likelihood density of the incident if the part made it, over that if another did, 1/s."""
    survival: Float64Array
    """(P, R) probability of all exposure that the part did not end."""
    background: Float64Array
    """(K, Z) the density if nothing on the map made it, 1/s."""
    calm: Float64Array
    """(Z,) probability of no further such incidents."""
    exposed: BoolArray
    """(P, K) as written down: whether the part could have made the incident."""
    quiet_s: Float64Array
    """(P,) seconds since the first trouble that the part was exposed to a controller on the bus and nothing came: in
    all trials that stayed quiet, or in the longest that did not, whichever is more."""
    trust: Float64Array
    """(P, R) that what was written of the part last is right, were it faulty, after the quiet since."""
    starts: Starts
    """Starts that failed."""
    late: Late
    """Parts that went bad within the record."""
    by_hand: Float64Array | None = None
    """(K,) the density if somebody switched a supply and wrote nothing down, 1/s, which comes beside the background.
    None: nobody did."""
    window_s: Float64Array | None = None
    """(K,) each incident came within so long before its time: the showings of a symptom. None: at its time."""
    hit: BoolArray | None = None
    """(K, C) who fell; None: the same in all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Record:
    """What every incident is weighed against."""

    reach: Reach
    actions: Sequence[Action]
    losses: Losses
    written_s: Float64Array
    sigma_s: Float64Array
    likely_s: Float64Array
    nodes_s: Float64Array
    """(n, nodes) possible true times."""
    cells: Cells
    errs: float
    """That one look is wrong; 0: it is watched all the time."""
    its_own: int
    """As in `Showing`; 0: it is known who fell."""
    doubt: Float64Array
    """(n + 1, P)"""
    moves: BoolArray
    """(P,) parts whose plug is ever moved: only of them can something wrong have been written down."""
    loose: BoolArray
    """(P,) parts that only the actions know."""
    kinds: Sequence[PartKind | None]


def weigh_evidence(
    machine: Machine,
    losses: Losses,
    unexplained: Sequence[int],
    reach: Reach,
    actions: Sequence[Action],
    start_ns: int,
    span_s: float,
    offset_s: float = 0.0,
) -> Evidence:
    """Put the record into likelihoods.

    Times are seconds after `start_ns`; hazards are densities, 1/s.

    Parameters
    ----------
    machine : the map
    losses : all of them; they say when each controller was on the bus
    unexplained : rows of `losses` that no action explains by itself
    reach : of the same actions
    actions : ascending by time
    start_ns, span_s : what was watched
    offset_s : the journal's clock minus the capture's, as far as it is known
    """
    written_s = np.array([(a.time_ns - start_ns) / SECOND_NS - offset_s for a in actions])
    sigma_s = np.array([a.uncertainty_ns / SECOND_NS for a in actions])
    likely_s = np.maximum.accumulate(written_s - 0.5 * sigma_s)
    rows = np.array(unexplained, np.int64)
    first_s = float(losses.t_s[rows].min()) if len(rows) else np.inf
    loose = np.array([part not in machine for part in reach.parts], np.bool_)
    record = _Record(
        reach=reach,
        actions=actions,
        losses=losses,
        written_s=written_s,
        sigma_s=sigma_s,
        likely_s=likely_s,
        nodes_s=written_s[:, None] - lateness_s(actions),
        cells=cut_cells(losses, reach, likely_s, span_s, first_s, _home(losses, rows, loose)),
        errs=0.0 if losses.showing is None else losses.showing.errs,
        its_own=0 if losses.showing is None else losses.showing.its_own,
        doubt=_doubts(reach, actions, written_s),
        moves=np.asarray(reach.moved.any(axis=1)),
        loose=loose,
        kinds=[kind_of(machine, part) for part in reach.parts],
    )
    weighed = _weigh_incidents(record, rows.tolist(), first_s)
    hit = losses.hit[rows]
    ended = weigh_returns(machine, reach, losses, rows.tolist(), record.kinds, record.nodes_s, span_s)
    alone = np.where(hit.sum(axis=1) > 1, _TOGETHER, 1.0) * _sign_background(losses.p_restarted[rows])
    showing = losses.showing
    mistaken_hz = np.zeros(len(rows)) if showing is None else showing.mistaken[rows] / showing.window_s[rows]
    as_supply = np.array([_sign_fit((PartKind.FEED,), float(p))[0] for p in losses.p_restarted[rows]])
    by_hand = weigh_hands(machine, losses, rows.tolist(), reach, actions, ended.part * as_supply, start_ns)
    return Evidence(
        hazard=weighed.hazard * ended.part[:, :, None],
        survival=weighed.survival,
        background=(alone * ended.background)[:, None] * BACKGROUND_HZ[None, :]
        + (mistaken_hz * ended.mistaken)[:, None],
        by_hand=by_hand,
        calm=np.exp(-BACKGROUND_HZ * record.cells.up_s),
        exposed=weighed.exposed,
        quiet_s=weighed.quiet_s,
        trust=weighed.trust,
        late=weigh_late(
            weighed.plain * ended.part[:, :, None],
            weighed.log_near,
            record.cells,
            losses.t_s[rows],
            weighed.fit * ended.part,
            span_s,
        ),
        window_s=None if losses.showing is None else losses.showing.window_s[rows],
        hit=hit,
        starts=weigh_starts(machine, reach, losses, actions, record.kinds, likely_s, record.nodes_s, span_s),
    )


def _home(losses: Losses, rows: Int64Array, loose: BoolArray) -> BoolArray:
    """(P, C) the controllers at which a part's quiet counts.

    A plug that no map knows may reach any controller, but it hangs on one: on one of those in trouble, if on its own
    account it is to be suspected at all. That others ran on beside it tells nothing.
    """
    home = np.ones((len(loose), losses.hit.shape[1]), np.bool_)
    hit = losses.hit[rows]
    alone = hit[hit.sum(axis=1) == 1]
    troubled = (alone if len(alone) else hit).any(axis=0)
    if troubled.any():
        home[loose] = troubled
    return home


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Weighed:
    """What the incidents one after the other gave; as in `Evidence`, and for `weigh_late`."""

    hazard: Float64Array
    survival: Float64Array
    exposed: BoolArray
    quiet_s: Float64Array
    trust: Float64Array
    plain: Float64Array
    log_near: Float64Array
    fit: Float64Array


def _weigh_incidents(record: _Record, rows: Sequence[int], first_s: float) -> _Weighed:
    """Go through the incidents in the order of time, ending one exposure after the other.

    Parameters
    ----------
    rows : (K,) of the losses, ascending by time
    first_s : of the first trouble; exposure before it counts half (`before_first`)
    """
    reach, cells = record.reach, record.cells
    n_parts, n_rates = len(reach.parts), len(RATES_HZ)
    hazard = np.empty((n_parts, len(rows), n_rates))
    plain, log_near, fit = np.empty_like(hazard), np.empty_like(hazard), np.empty((n_parts, len(rows)))
    exposed = np.empty((n_parts, len(rows)), np.bool_)
    log_survival = np.zeros((n_parts, n_rates))
    longest_s = np.zeros(n_parts)
    shown_in = np.full(n_parts, -1)  # the stint in which a part has shown though it should have been out
    # Quiet exposure since the first trouble that no incident has ended yet.
    spent = cells.live & (cells.from_s >= first_s)[:, None]
    for k, row in enumerate(rows):
        t, hit = float(record.losses.t_s[row]), record.losses.hit[row]
        since_s = float(record.losses.since_s[row, hit].min(initial=t))
        # Which parts were exposed, as the presses were written down, and as those near it may have been meant.
        m = int(np.searchsorted(record.likely_s, t))
        window_s = 0.0 if record.losses.showing is None else float(record.losses.showing.window_s[row])
        near = np.flatnonzero(
            (t - record.written_s < 5.0 * record.sigma_s + window_s) & (record.written_s - t < 5.0 * record.sigma_s)
        )
        soft = soften(reach, near, record.nodes_s, t, hit, since_s, window_s)
        exempt(cells, reach, near, record.likely_s, t, hit, since_s)
        spent &= cells.live
        # Who fell and who did not, for a part where it was written to be, and for one that is plugged in after all.
        spared = _spared(record, row)
        who = (hit, record.losses.up[row], record.loose, spared, record.its_own)
        fit_now, fit_ever = group_fit(reach.reaches[m] | soft.reached, *who), group_fit(reach.ever, *who)
        # How far what was written of each part is to be doubted.
        told = fit_now > 0.0
        stint = cells.stint_at(t)
        doubt = np.where(record.moves, record.doubt[m], 0.0)
        again = ~told & (shown_in == stint) & ~record.loose
        doubt = np.where(again, np.maximum(doubt, _AGAIN), doubt)[:, None]
        # The quiet that this incident ends: of this plugging, and of the parts that may have made it.
        before, joined = np.flatnonzero(cells.middle_s < t), np.flatnonzero(told)
        chosen = np.ix_(before, joined)  # few parts reach who fell
        ended = spent[chosen] & (cells.stint[chosen] == stint[joined])
        ended_s, n_looks = np.zeros(n_parts), np.zeros(n_parts)
        ended_s[joined] = (ended * cells.length_s[before, None]).sum(axis=0)
        n_looks[joined] = (ended * cells.looks[before, None]).sum(axis=0)
        spent[chosen] &= ~ended
        longest_s = np.maximum(longest_s, ended_s)
        stays = np.exp(soft.log_survival) * not_seen(ended_s, n_looks, record.errs)
        if k == 0:
            stays *= before_first(cells, first_s)
            told = told | cells.live[cells.from_s < first_s].any(axis=0)
        stays = np.where(told[:, None], stays, 1.0)
        # Had another part made it, this one was quiet; had this one, it showed, as written or against what is written.
        beside = (1.0 - doubt) * stays + doubt
        against = untold(record.written_s, record.nodes_s, t, since_s, window_s)
        # As it was written and seen; the look that saw it first was wrong, and it came later; or it was not as written.
        shows = (1.0 - record.errs) * soft.rate * fit_now[:, None] + record.errs * against * fit_ever[:, None]
        made = (1.0 - doubt) * stays * shows + doubt * against * fit_ever[:, None]
        # How they came back, and whether somebody had just shaken it.
        sign = _sign_fit(record.kinds, float(record.losses.p_restarted[row]))
        hazard[:, k, :] = made / np.maximum(beside, 1e-300) * sign[:, None]
        shakes = shaken(reach, record.actions, near, record.nodes_s, t, fit_now * sign)[:, None]
        hazard[:, k, :] += shakes
        fit[:, k] = fit_now * sign
        plain[:, k, :] = soft.rate * fit[:, k, None] + shakes
        log_near[:, k, :] = soft.log_survival
        # What the incidents that follow build upon.
        log_survival += np.log(np.maximum(beside, 1e-300))
        exposed[:, k] = fit_now > 0.01
        shown_in = np.where((fit_now <= 0.0) & (fit_ever > 0.01), stint, shown_in)
    quiet, quiet_s, trust = _quiet_to_the_end(record, spent)
    quiet = quiet * _shaken_in_vain(record, rows)[:, None]
    return _Weighed(
        hazard=hazard,
        survival=np.exp(log_survival) * quiet,
        exposed=exposed,
        quiet_s=np.maximum(quiet_s, longest_s),
        trust=trust,
        plain=plain,
        log_near=log_near,
        fit=fit,
    )


def _shaken_in_vain(record: _Record, rows: Sequence[int]) -> Float64Array:
    """(P,) likelihood of the wiggles after which nothing came; shaking the same part again tells nothing new."""
    spared = np.zeros(len(record.reach.parts), np.bool_)
    t_s = record.losses.t_s[list(rows)]
    for m, action in enumerate(record.actions):
        if action.kind is ActionKind.WIGGLE:
            since_s = t_s - record.likely_s[m]
            came = bool(np.any((since_s > -2.0) & (since_s < 2.5)))
            exposed = np.any(record.reach.reaches[m], axis=1)
            spared |= record.reach.touched[m] & exposed & (not came)
    doubt = np.where(record.moves, _DOUBT, 0.0)
    return np.where(spared, (1.0 - doubt) * (1.0 - WIGGLE_SHOWS) + doubt, 1.0)


def _quiet_to_the_end(record: _Record, spent: BoolArray) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Give the survival (P, R) and the length (P,) of the exposure that no incident ended, doubted stint by stint.

    And how far what was written of each part last is to be trusted after its quiet (P, R).
    """
    cells = record.cells
    n_parts, n_rates = spent.shape[1], len(RATES_HZ)
    stretch = np.searchsorted(record.likely_s, cells.middle_s)
    survival, length_s, trust = np.empty((n_parts, n_rates)), np.empty(n_parts), np.empty((n_parts, n_rates))
    # So many parts at once as are about as often moved, and as memory bears.
    last = cells.stint[-1]
    order = np.argsort(last, kind="stable")
    first = 0
    while first < n_parts:
        n_stints = int(last[order[first]]) + 1
        several = max(1, _MOST_AT_ONCE // (2 * n_rates * n_stints))
        parts = order[first : first + several]
        parts = parts[last[parts] < 2 * n_stints]
        first += len(parts)
        survival[parts], length_s[parts], trust[parts] = _quiet_of(record, parts, spent[:, parts], stretch)
    return survival, length_s, trust


def _quiet_of(
    record: _Record, parts: Int64Array, spent: BoolArray, stretch: Int64Array
) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Give the same of some parts.

    Parameters
    ----------
    spent : (cells, parts) quiet exposure
    stretch : (cells,) between which actions
    """
    cells, stint = record.cells, record.cells.stint[:, parts]
    n_stints, within = int(stint[-1].max()) + 1, np.arange(len(parts))
    # Seconds of quiet in each stint of each part, and looks that saw nothing.
    seconds, looks = spent * cells.length_s[:, None], spent * cells.looks[:, None]
    if n_stints == 1:  # never moved, as most are: all of it, and nothing that may have been written wrongly
        by_stint_s = seconds.sum(axis=0)[:, None]
        stays = not_seen(by_stint_s[:, 0], looks.sum(axis=0), record.errs, TELLS_AT_MOST_HZ)
        return stays, by_stint_s[:, 0], stays / np.maximum(stays, 1e-300)
    place = (stint + within * n_stints).ravel()
    by_stint_s, n_looks = (
        np.asarray(np.bincount(place, of.ravel(), len(parts) * n_stints), np.float64).reshape(len(parts), n_stints)
        for of in (seconds, looks)
    )
    # The worst doubt of any stretch of it: what was written may have been wrong from the stint's first press on.
    worst = np.zeros(len(parts) * n_stints)
    moves = record.moves[parts]
    if moves.any():
        np.maximum.at(worst, place, record.doubt[np.ix_(stretch, parts)].ravel())
    doubt = np.where(moves[:, None], worst.reshape(len(parts), n_stints), 0.0)[:, :, None]
    # As written it stayed quiet; or it was out, and then that tells nothing.
    stays = not_seen(by_stint_s, n_looks, record.errs, TELLS_AT_MOST_HZ)
    survival = ((1.0 - doubt) * stays + doubt).prod(axis=1)
    # Which of the two it was in the last stint.
    right = ((1.0 - doubt) * stays)[within, stint[-1]]
    trust = right / np.maximum(right + doubt[within, stint[-1]], 1e-300)
    return survival, by_stint_s.sum(axis=1), trust


def _doubts(reach: Reach, actions: Sequence[Action], written_s: Float64Array) -> Float64Array:
    """(n + 1, P) how much each stretch's word on each part is to be doubted.

    A press that does not fit says that an earlier one of this part is wrong or missing: all since the part's last press
    is doubted. The missing one may have been written down as another part's; that is doubted too, until its next press.
    """
    doubt = np.full((len(actions) + 1, len(reach.parts)), _DOUBT)
    for m, action in enumerate(actions):
        if not reach.odd[m] or action.part is None:
            continue
        before = [j for j in range(m) if action.part in (actions[j].part, actions[j].into)]
        last = before[-1] if before else -1
        if before and actions[last].kind is action.kind and written_s[m] - written_s[last] < _TWICE_S:
            continue
        doubt[last + 1 : m + 1, reach.touched[m]] = _CONTRADICTED
        for j in range(m - 1, last, -1):
            if actions[j].kind in (ActionKind.PLUG, ActionKind.UNPLUG) and actions[j].kind is not action.kind:
                later = [i for i in range(j + 1, len(actions)) if actions[i].part == actions[j].part]
                until = later[0] if later else len(actions)
                part = doubt[j + 1 : until + 1]
                part[:, reach.touched[j]] = np.maximum(part[:, reach.touched[j]], _ACCOMPLICE)
                break
    return doubt


def _spared(record: _Record, row: int) -> Float64Array:
    """(P,) likelihood of each controller that stayed though the part reaches it.

    A dip of the supply may be ridden through. Beyond a bus wire that is open nobody is heard: one that speaks often
    enough is missed, unless the wire made contact again at once.
    """
    losses = record.losses
    lasted_s = min(
        (b - a for c in np.flatnonzero(losses.hit[row]) for a, b in losses.away[int(c)] if a <= losses.t_s[row] <= b),
        default=0.0,
    )
    cut = _SPARED_BY_A_CUT if lasted_s > _LONG_S else SPARED
    return np.array([cut if k is PartKind.SEGMENT else SPARED for k in record.kinds])


def _sign_fit(kinds: Sequence[PartKind | None], p_restarted: float) -> Float64Array:
    """(P,) likelihood of 'restarted or kept running', as far as it was told, for a fault of each kind of part."""
    if np.isnan(p_restarted):
        return np.ones(len(kinds))
    p = float(_never_sure(p_restarted))
    restarts = np.array([_RESTARTS.get(k, 0.5 if k in _EITHER else 0.95) for k in kinds])
    fit: Float64Array = 2.0 * (restarts * p + (1.0 - restarts) * (1.0 - p))
    return fit


def _never_sure(p_restarted: npt.ArrayLike) -> Float64Array:
    """Keep a probability from certainty, and to the digits that are worth anything."""
    kept: Float64Array = np.clip(np.round(np.asarray(p_restarted, np.float64), 3), 0.005, 0.995)
    return kept


def _sign_background(p_restarted: Float64Array) -> Float64Array:
    p = np.where(np.isnan(p_restarted), 0.5, _never_sure(p_restarted))
    fit: Float64Array = 2.0 * (0.8 * p + 0.2 * (1.0 - p))
    return fit
