"""Restarts while starting: a controller that came, and went again before it had settled."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.health.controller import ControllerHealth, StreamKey
from busdoc.health.incident import Loss
from busdoc.resync_check.heard import Heard
from busdoc.resync_check.records import PowerUp
from busdoc.times import SECOND_NS

__all__ = ["fell_for_good", "restarts_of"]

_MISSED = 3.0
"""Frames of a controller that must be missing together before a pause is a restart."""


def fell_for_good(loss: Loss, first_ns: int, settled_ns: int, power_up: PowerUp) -> bool:
    """Tell whether a controller was lost while settling, and not back before power went off again.

    When power goes off, controllers fall silent within a second of each other.
    """
    if not first_ns <= loss.last_seen_ns < min(settled_ns, power_up.until_ns - 1):
        return False
    if loss.back_ns is None:
        return True
    return loss.back_ns >= power_up.until_ns and loss.onset_ns + _ONE_RESTART_NS < power_up.until_ns


def restarts_of(
    heard: Heard,
    one: ControllerHealth,
    runs: Mapping[StreamKey, Sequence[Int64Array]],
    wanted: Iterable[tuple[StreamKey, int, int]],
    first_ns: int,
    power_up: PowerUp,
) -> tuple[int, ...]:
    """Find when the controller came back from a restart of its own, ascending.

    It announced itself again, or all its streams that had begun paused together for longer than a few frames.
    """
    found = [t_ns for name, t_ns in heard.restarts if name == one.name and first_ns < t_ns < power_up.until_ns]
    found += [
        loss.back_ns
        for loss in heard.losses
        if loss.controller == one.name
        and loss.back_ns is not None
        and loss not in heard.unheard
        and first_ns <= loss.last_seen_ns
        and loss.back_ns < power_up.until_ns
    ]
    unheard_ns = [loss.back_ns for loss in heard.unheard if loss.controller == one.name and loss.back_ns is not None]
    pauses = _pauses(runs, {key: (period, deadline) for key, period, deadline in wanted})
    gaps = [gap for gap in heard.gaps if gap.channel in (None, one.channel)]
    found += [
        to_ns
        for from_ns, to_ns in pauses
        if all(abs(to_ns - back_ns) > _ONE_RESTART_NS for back_ns in unheard_ns)
        and not any(gap.from_ns < to_ns and gap.to_ns > from_ns for gap in gaps)
    ]
    cranked = [(loss.last_seen_ns, loss.back_ns or 0) for loss in heard.cranked if loss.controller == one.name]
    found = [t_ns for t_ns in found if not any(low <= t_ns <= high + _ONE_RESTART_NS for low, high in cranked)]
    distinct: list[int] = []
    for t_ns in sorted(found):
        if not distinct or t_ns - distinct[-1] > _ONE_RESTART_NS:
            distinct.append(t_ns)
    return tuple(distinct)


_ONE_RESTART_NS = SECOND_NS
"""What tells of a restart does so within a second."""


def _pauses(
    runs: Mapping[StreamKey, Sequence[Int64Array]], wanted: Mapping[StreamKey, tuple[int, int]]
) -> list[tuple[int, int]]:
    """Find where all streams that had begun were silent together; gives the frames before and after each."""
    gaps = [gap for key, (_, deadline_ns) in wanted.items() for gap in _breaks(runs.get(key, ()), deadline_ns)]
    pauses: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(gaps):
        low, high, missed, alive = from_ns, to_ns, 0.0, False
        for key in wanted:
            own = runs.get(key, ())
            if own and int(own[0][0]) <= from_ns:
                low, high = _narrowed(own, low, high)
        for key, (period_ns, _) in wanted.items():
            own = runs.get(key, ())
            if not own or int(own[0][0]) > low:
                continue
            if _is_silent(own, low, high):
                missed += (high - low) / period_ns
            elif period_ns < 0.5 * (high - low):
                alive = True
        if not alive and missed >= _MISSED and high > low:
            pauses.append((low, high))
    return pauses


def _breaks(runs: Sequence[Int64Array], deadline_ns: int) -> Iterable[tuple[int, int]]:
    """Give the silences past the deadline."""
    for run in runs:
        late = np.flatnonzero(np.diff(run) > deadline_ns)
        yield from ((int(run[at]), int(run[at + 1])) for at in late.tolist())


def _narrowed(runs: Sequence[Int64Array], low: int, high: int) -> tuple[int, int]:
    """Shrink a stretch to the part in which this stream is not known to have sent, seen from its middle."""
    times = np.concatenate(list(runs))
    inside = times[(times > low) & (times < high)]
    if not len(inside):
        return low, high
    edges = np.concatenate(([low], inside, [high]))
    widest = int(np.argmax(np.diff(edges)))
    return int(edges[widest]), int(edges[widest + 1])


def _is_silent(runs: Sequence[Int64Array], low: int, high: int) -> bool:
    """Tell whether the stream is known to have been silent over a stretch."""
    return any(
        int(run[at]) <= low and int(run[at + 1]) >= high
        for run in runs
        for at in [int(np.searchsorted(run, low, side="right")) - 1]
        if 0 <= at < len(run) - 1
    )
