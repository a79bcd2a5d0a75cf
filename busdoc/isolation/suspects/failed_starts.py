"""Starts that failed: a record that begins without a controller, and power-ups that it did not come back from.

Whatever was joined to the controller then, and the controller itself, may be why. Takes the losses and the map's reach;
gives likelihoods over parts and rates, one row for each failed start, that stand beside those of the incidents.
Controllers that were silent at the start and began to speak with nobody near slept, and are no evidence.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.exposure import Reach
from busdoc.isolation.suspects.losses import Losses, Showing
from busdoc.isolation.suspects.press_timing import SPARED, group_fit
from busdoc.isolation.suspects.rates import RATES_HZ
from busdoc.isolation.suspects.recovery_evidence import holding, latching, weigh_end, weigh_showing_end
from busdoc.machine.machine import Machine, PartKind

__all__ = ["STARTS_WITHIN_S", "Starts", "weigh_starts"]

STARTS_WITHIN_S = 12.0
"""A controller that is not back so long after power-up has not started (common practice: one to ten seconds)."""
_SOON_S = 20.0
"""A first frame so soon after something was unplugged or switched answers to that (common practice: a start, and the
walk back to the screen)."""
_BEFORE_S = 300.0
"""How long the machine is taken to have run before the record began.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.failed_starts._BEFORE_S 100.0 900.0"""
_HOLDS_S = 6.0
"""How long a fault that lets go alone keeps its controller away, on average.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.failed_starts._HOLDS_S 3.0 12.0"""
_NEVER_SEEN = 0.1
"""That a controller which was never heard is not fitted, asleep or on another bus (common practice: maps cover
variants of a machine)."""
_DEAD_FOR_A_WHILE = 0.02
"""That one which was heard later was silent at first for another reason than a fault on the map.
Settled on simulated sessions; try again with:
python -m benchmarks.isolation_fit suspects.failed_starts._DEAD_FOR_A_WHILE 0.007 0.06"""
_SHOWED_BEFORE = 0.3
"""That a symptom about which somebody was called shows as the record begins, were no part on the map at fault (common
practice: it is the reason to come)."""
_DEAD_START = 0.02
"""That a sound controller does not start with the power: some need the disconnect switch, not the key (common
practice)."""
_START_S = 3.0
"""How long a start takes, in which a fault may show that is there at once (common practice: one to seven seconds)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Starts:
    """E failed starts, P parts, C controllers, R rates."""

    hazard: Float64Array
    """(P, E, R) probability of the failed start if the part was at fault."""
    background: Float64Array
    """(E,) the same if nothing on the map was."""
    hit: BoolArray
    """(E, C) who did not start."""
    exposed: BoolArray
    """(P, E) joined to one of them then."""
    action: tuple[int | None, ...]
    """(E,) index of the action that gave the power; None: the record began so."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    machine: Machine
    reach: Reach
    losses: Losses
    actions: Sequence[Action]
    likely_s: Float64Array
    nodes_s: Float64Array
    span_s: float


def weigh_starts(
    machine: Machine,
    reach: Reach,
    losses: Losses,
    actions: Sequence[Action],
    kinds: Sequence[PartKind | None],
    likely_s: Float64Array,
    nodes_s: Float64Array,
    span_s: float,
) -> Starts:
    """Weigh the failed starts.

    Parameters
    ----------
    actions : ascending by time
    kinds : (P,) of the parts
    likely_s : (n,) when each action was most likely done
    nodes_s : (n, nodes) possible true times
    span_s : until when was watched
    """
    scene = _Scene(
        machine=machine,
        reach=reach,
        losses=losses,
        actions=actions,
        likely_s=likely_s,
        nodes_s=nodes_s,
        span_s=span_s,
    )
    supply = np.array([k in (PartKind.FEED, PartKind.SEGMENT, PartKind.TERMINATOR) for k in kinds], np.bool_)
    loose = np.array([part not in machine for part in reach.parts], np.bool_)
    rows: list[tuple[Float64Array, float, BoolArray, BoolArray, int | None]] = []
    at_first = np.array([_silent_at_first(scene, c) for c in range(len(reach.controllers))], np.bool_)
    if losses.showing is not None:
        if losses.showing.at_first_until_s is not None:
            rows.append(_showed_at_first(scene, losses.showing, losses.showing.at_first_until_s, loose))
    elif at_first.any() and not at_first.all():
        rows.append(_beginning(scene, at_first, supply, loose))
    for m, action in enumerate(actions if losses.showing is None else ()):
        if action.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE):
            failed = np.array([_fails_after(scene, c, m) for c in range(len(reach.controllers))], np.bool_)
            if failed.any() and not failed.all():
                rows.append(_power_up(scene, failed, m, loose))
    n_parts, n_names = len(reach.parts), len(reach.controllers)
    return Starts(
        hazard=np.stack([r[0] for r in rows], axis=1) if rows else np.empty((n_parts, 0, len(RATES_HZ))),
        background=np.array([r[1] for r in rows]),
        hit=np.array([r[2] for r in rows], np.bool_).reshape(len(rows), n_names),
        exposed=np.array([r[3] for r in rows], np.bool_).reshape(len(rows), n_parts).T,
        action=tuple(r[4] for r in rows),
    )


def _absence_at(scene: _Scene, c: int, t: float) -> tuple[float, float] | None:
    return next(((a, b) for a, b in scene.losses.away[c] if a <= t < b), None)


def _changed_s(scene: _Scene, c: int, after: int) -> float:
    """When the next action touches what reaches a controller, or its power; the end of the record at the latest."""
    reach = scene.reach
    moved = set(reach.changes.at(c).action.tolist())
    for m in range(after, len(scene.actions)):
        if m in moved or reach.takes[m, c] or scene.actions[m].kind in (ActionKind.POWER_OFF, ActionKind.POWER_CYCLE):
            return float(scene.likely_s[m])
    return scene.span_s


def _silent_at_first(scene: _Scene, c: int) -> bool:
    """Whether a controller was silent from the start for longer than a start takes, and did not just wake up."""
    away = _absence_at(scene, c, 0.0)
    if away is None or min(away[1], scene.span_s) < STARTS_WITHIN_S:
        return False
    opening_power = next((a.kind for a in scene.actions if a.kind.value.startswith("power")), None)
    if opening_power is ActionKind.POWER_ON:
        return False  # the record begins with the power off
    if not np.isfinite(away[1]):
        return True
    since_s = away[1] - scene.likely_s
    handled = [
        m for m in np.flatnonzero((since_s > -2.0) & (since_s < _SOON_S)).tolist()
        if scene.actions[m].kind not in REMARKS
    ]  # fmt: skip
    return bool(handled)


def _fails_after(scene: _Scene, c: int, m: int) -> bool:
    """Whether a controller that was away stayed so after a power-up, for longer than a start takes."""
    at_s = float(scene.likely_s[m])
    away = _absence_at(scene, c, at_s - 0.1)
    feed, known = scene.actions[m].part, scene.machine.controllers.get(scene.reach.controllers[c])
    if away is None or (feed is not None and (known is None or feed not in scene.machine.above(known.name))):
        return False
    return min(away[1], _changed_s(scene, c, m + 1)) - at_s >= STARTS_WITHIN_S


def _beginning(
    scene: _Scene, hit: BoolArray, supply: BoolArray, loose: BoolArray
) -> tuple[Float64Array, float, BoolArray, BoolArray, int | None]:
    reaches = scene.reach.reaches[0]
    fit = group_fit(reaches, hit, np.ones(len(hit), np.bool_), loose, SPARED)
    names = [scene.reach.controllers[c] for c in np.flatnonzero(hit)]
    stays = float(np.mean([holding(latching(scene.machine, name)) for name in names]))
    fell = stays * -np.expm1(-RATES_HZ * _BEFORE_S) + (1.0 - stays) * RATES_HZ * _HOLDS_S / (1.0 + RATES_HZ * _HOLDS_S)
    part, background = np.ones(len(fit)), 1.0
    for c in np.flatnonzero(hit).tolist():
        by_part, by_restart = weigh_end(
            scene.machine, scene.reach, scene.losses, supply, scene.nodes_s, c, 0.0, scene.span_s
        )
        top = max(float(by_part.max()), by_restart)
        part, background = part * by_part / top, background * by_restart / top
    never = all(np.isinf(scene.losses.away[int(c)][0][1]) for c in np.flatnonzero(hit))
    chance = (_NEVER_SEEN if never else _DEAD_FOR_A_WHILE) * background
    return (fit * part)[:, None] * fell, chance, hit, fit > 0.01, None


def _showed_at_first(
    scene: _Scene, showing: Showing, until_s: float, loose: BoolArray
) -> tuple[Float64Array, float, BoolArray, BoolArray, int | None]:
    """Weigh that a symptom showed as the record began: it had come before, and stayed."""
    hit = np.arange(len(scene.reach.controllers)) == showing.observer
    fit = group_fit(scene.reach.reaches[0], hit, hit | _heard_at_first(scene), loose, SPARED, its_own=showing.its_own)
    stays = showing.p_latches
    fell = stays * -np.expm1(-RATES_HZ * _BEFORE_S) + (1.0 - stays) * RATES_HZ * _HOLDS_S / (1.0 + RATES_HZ * _HOLDS_S)
    by_part, by_itself = weigh_showing_end(
        scene.reach, scene.losses, showing, scene.nodes_s, 0.0, until_s, scene.span_s, showing.latency_s
    )
    top = max(float(by_part.max()), by_itself)
    chance = _SHOWED_BEFORE * by_itself / top
    return (fit * by_part / top)[:, None] * fell, chance, hit, fit > 0.01, None


def _heard_at_first(scene: _Scene) -> BoolArray:
    return np.array([not any(a <= 0.0 < b for a, b in one) for one in scene.losses.away], np.bool_)


def _power_up(
    scene: _Scene, hit: BoolArray, m: int, loose: BoolArray
) -> tuple[Float64Array, float, BoolArray, BoolArray, int | None]:
    at_s = float(scene.likely_s[m])
    came = np.array([_absence_at(scene, c, at_s + STARTS_WITHIN_S) is None for c in range(len(hit))], np.bool_)
    fit = group_fit(scene.reach.reaches[m + 1], hit, hit | came, loose, SPARED)
    fell = -np.expm1(-RATES_HZ * _START_S)
    return fit[:, None] * fell, _DEAD_START, hit, fit > 0.01, m
