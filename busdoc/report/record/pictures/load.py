"""The picture of one channel's traffic: load, or frames where no bit rate is known, and error frames over time."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdoc.analysis.result import Result
from busdoc.arrays import Float64Array, Int64Array
from busdoc.health.summary import WireLoad
from busdoc.report.record.page import Picture
from busdoc.report.record.pictures.drawing import AWAY, HEARD, INK, canvas, svg_of
from busdoc.report.record.pictures.drawing import time_axis as label_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["LoadColumns", "load_columns", "load_picture"]

_COLUMNS = 360


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadColumns:
    """One channel's traffic in at most so many columns of equal length, for the eye."""

    from_ns: Int64Array
    """(k,) start of each column, from the start of the capture."""
    mean: Float64Array
    """(k,) load 0 … 1, or frames per second without a bit rate."""
    peak: Float64Array
    """(k,) of the busiest second in it."""
    error_frames: Int64Array
    """(k,) sum."""
    is_load: bool


def load_columns(result: Result, wire: WireLoad, most: int = _COLUMNS) -> LoadColumns:
    """Gather seconds into columns."""
    n = len(wire.second_ns)
    per_column = max(1, -(-n // most))
    first = np.arange(0, n, per_column)
    is_load = wire.bitrate is not None and not bool(np.isnan(wire.load).all())
    values = np.nan_to_num(wire.load) if is_load else wire.frames.astype(np.float64)
    if not n:
        nothing = np.empty(0, np.float64)
        return LoadColumns(
            from_ns=np.empty(0, np.int64),
            mean=nothing,
            peak=nothing,
            error_frames=np.empty(0, np.int64),
            is_load=is_load,
        )
    members = np.diff(np.append(first, n))
    return LoadColumns(
        from_ns=wire.second_ns[first] - result.health.start_ns,
        mean=np.add.reduceat(values, first) / members,
        peak=np.maximum.reduceat(values, first),
        error_frames=np.add.reduceat(wire.error_frames.astype(np.int64), first),
        is_load=is_load,
    )


def load_picture(result: Result, wire: WireLoad, name: str) -> Picture | None:
    """Draw one channel's traffic; None when there was none."""
    if not len(wire.second_ns):
        return None
    what = "Bus load" if wire.bitrate is not None else "Frames per second"
    return Picture(
        title=f"{what} and error frames on {name}",
        text="Filled: mean. Line: the busiest second of each column. Upright lines below: error frames. "
        "The table below says the same.",
        draw=lambda width_in, outlines: _draw(result, wire, name, width_in, outlines),
        captioned=True,
        widths=(7.4, 3.9),
    )


def _draw(result: Result, wire: WireLoad, name: str, width_in: float, outlines: bool) -> str:
    columns = load_columns(result, wire)
    span_ns = max(1, result.health.until_ns - result.health.start_ns)
    has_errors = bool(columns.error_frames.any())
    bottom_in = 0.55 if result.capture.epoch else 0.42
    errors_in = 0.5 if has_errors else 0.0
    height_in = 1.35 + bottom_in + errors_in
    left_in = 0.75
    box = (left_in / width_in, (width_in - left_in - 0.32) / width_in)
    picture = load_picture(result, wire, name)
    assert picture is not None  # there was traffic
    with canvas(width_in, height_in, salt=f"load {wire.channel} {width_in}", outlines=outlines) as figure:
        above = figure.add_axes((box[0], (bottom_in + errors_in) / height_in, box[1], 1.2 / height_in))
        _draw_load(above, columns, span_ns)
        lowest = above
        if has_errors:
            lowest = figure.add_axes((box[0], bottom_in / height_in, box[1], (errors_in - 0.16) / height_in))
            shown = columns.error_frames > 0
            lowest.vlines(
                columns.from_ns[shown].tolist(), 0, columns.error_frames[shown].tolist(), color=AWAY, linewidth=1.2
            )
            lowest.set_ylim(0, float(columns.error_frames.max()) * 1.1)
            lowest.set_yticks([0, int(columns.error_frames.max())])
            lowest.tick_params(axis="y", labelsize=7.5)
            lowest.set_ylabel("error\nframes", fontsize=7.5)
            above.set_xticks([])
            above.set_xlim(0, span_ns)
        label_time(
            lowest, span_ns, start_ns=result.health.start_ns, epoch=result.capture.epoch, most=9 if width_in > 5 else 5
        )
        for axes in (above, lowest):  # one line for both names; aligning them would lay everything out once more
            axes.yaxis.set_label_coords(-0.5 / (box[1] * width_in), 0.5)
        return svg_of(figure, title=picture.title, text=picture.text)


def _draw_load(axes: "Axes", columns: LoadColumns, span_ns: int) -> None:
    scale = 100.0 if columns.is_load else 1.0
    axes.fill_between(columns.from_ns, columns.mean * scale, step="post", color=HEARD, alpha=0.45, linewidth=0)
    axes.step(columns.from_ns, columns.peak * scale, where="post", color=INK, linewidth=0.8)
    top = float(columns.peak.max(initial=0.0)) * scale
    axes.set_ylim(0, top * 1.15 or 1.0)
    axes.set_xlim(0, span_ns)
    axes.locator_params(axis="y", nbins=4)
    axes.tick_params(axis="y", labelsize=7.5)
    axes.set_ylabel("load, %" if columns.is_load else "frames/s", fontsize=7.5)
