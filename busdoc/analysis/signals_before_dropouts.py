"""What measured values did before the dropouts of a recording, which is looked at a second time for it.

Dropouts are known only at the end, and before them values matter to a tenth of a second. So once there are dropouts to
explain, the recording is gone through again, and each signal that moves is taken down in cells of time that end where
the windows before the dropouts do. A healthy recording is gone through once. A live bus cannot be read twice: there the
session's own recording is looked at, afterwards.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from busdoc.analysis.case import Case
from busdoc.arrays import Float64Array, Int64Array
from busdoc.capture.source import Capture
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import SignalKind
from busdoc.decode.signals.cells import CellRows, CellSeries, SignalCells, cells_of
from busdoc.decode.signals.stream_intervals import StreamIntervals
from busdoc.decode.signals.streams import stream_key
from busdoc.decode.signals.summary import SignalSummary
from busdoc.health.controller import StreamKey
from busdoc.health.summary import Health
from busdoc.intermittent.dropouts import LEAST_DROPOUTS, Dropouts
from busdoc.intermittent.intermittent import Evidence
from busdoc.intermittent.precursors.covariate import find_covariates
from busdoc.intermittent.precursors.covariate_features import CellPlan, plan_cells
from busdoc.times import SECOND_NS

__all__ = ["signals_before_dropouts"]

_LIVE = "measured values before the dropouts: they are looked at in the session's recording, afterwards"
_MOST_SIGNALS = 5000
"""Signals that are looked at; no machine known has more that move."""


def signals_before_dropouts(
    case: Case, health: Health, summaries: Sequence[SignalSummary], dropouts: Sequence[Dropouts]
) -> Evidence:
    """Read a recording again and hold its measured values against its dropouts.

    Parameters
    ----------
    case : with its recording; without a database only the bus itself and the controllers' rhythm are looked at
    health : of the whole recording
    summaries : of its signals, after the first reading
    dropouts : those that are to be explained, with the time in which there could have been others

    Returns
    -------
    covariates, one for each set of dropouts and each value that could be tried; and what could not be tried
    """
    capture = case.recording
    if capture is None:
        return Evidence(left_out=(_LIVE,))
    if not any(len(one) >= LEAST_DROPOUTS for one in dropouts):
        return Evidence()
    if not capture.can_look_again():
        return Evidence(left_out=("Measured values: the capture can be read only once.",))
    moving = [
        one
        for one in summaries
        if one.signal.kind is SignalKind.ANALOGUE and one.minimum is not None and one.minimum != one.maximum
    ]
    left_out = []
    if len(moving) > _MOST_SIGNALS:
        left_out.append(
            f"{len(moving) - _MOST_SIGNALS} signals: more than {_MOST_SIGNALS} that move are not looked at."
        )
        moving = moving[:_MOST_SIGNALS]
    periods = _periods(health, dropouts)
    plan = plan_cells(health.start_ns, health.until_ns, dropouts, len(moving) + len(periods))
    series = _read(capture, case.database, moving, periods, plan)
    series = (*series, *_of_the_bus(health, capture, plan))
    return Evidence(covariates=find_covariates(dropouts, series, plan), left_out=tuple(left_out))


def _periods(health: Health, dropouts: Sequence[Dropouts]) -> dict[StreamKey, tuple[str, int]]:
    """Give the controller and the period of each cyclic stream of a controller that fell by itself."""
    alone = {one.controllers[0] for one in dropouts if len(one.controllers) == 1}
    return {
        stream.key: (controller.name, stream.period_ns)
        for controller in health.controllers
        if controller.name in alone
        for stream in controller.streams
        if stream.cyclic and stream.period_ns
    }


def _read(
    capture: Capture,
    database: Database | None,
    moving: Sequence[SignalSummary],
    periods: Mapping[StreamKey, tuple[str, int]],
    plan: CellPlan,
) -> tuple[CellSeries, ...]:
    """Look at the capture anew, without a trace in what the first reading counted."""
    numbers = {stream_key(key.channel, key.extended, key.id): period_ns for key, (_, period_ns) in periods.items()}
    compiled = True if capture.large else None
    cells = SignalCells(database, moving, plan.edges_ns, intervals=StreamIntervals(numbers), compiled=compiled)
    for block in capture.second_look():
        cells.feed(block)
    own = [
        CellSeries(
            name=f"the interval of {key} from {name}",
            unit="ms",
            low=cells.rows.low[row],
            high=cells.rows.high[row],
            last=cells.rows.last[row],
            channel=key.channel,
            id=key.id,
            controllers=(name,),
        )
        for row, (key, (name, _)) in enumerate(periods.items(), start=len(moving))
    ]
    return (*cells.series(), *own)


def _of_the_bus(health: Health, capture: Capture, plan: CellPlan) -> Iterator[CellSeries]:
    """Yield the load and the error frames of each channel; a second counts once it is over."""
    for wire in health.wire:
        where = capture.channels.name(wire.channel)
        over_ns = wire.second_ns + (SECOND_NS - 1)
        if np.isnan(wire.load).any():
            yield _series(f"the frames a second on {where}", "", over_ns, wire.frames.astype(np.float64), plan)
        else:
            yield _series(f"the bus load of {where}", "%", over_ns, 100.0 * wire.load, plan)
        if wire.error_frames.any():
            name = f"the error frames a second on {where}"
            yield _series(name, "", over_ns, wire.error_frames.astype(np.float64), plan)


def _series(name: str, unit: str, t_ns: Int64Array, values: Float64Array, plan: CellPlan) -> CellSeries:
    rows = CellRows(1, plan.edges_ns)
    rows.take(0, cells_of(t_ns, plan.edges_ns), values)
    return CellSeries(name=name, unit=unit, low=rows.low[0], high=rows.high[0], last=rows.last[0])
