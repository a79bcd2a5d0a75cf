"""Pictures of many dropouts: how often they came over time, how long after an event, and what a signal read before."""

from typing import TYPE_CHECKING

import numpy as np

from busdoc.analysis.result import Result
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.covariate_features import FeatureKind
from busdoc.intermittent.rate_shape import Rate
from busdoc.report.record.page import Picture
from busdoc.report.record.pictures.drawing import AWAY, HEARD, INK, UNRECORDED, canvas, svg_of
from busdoc.report.record.pictures.drawing import time_axis as label_time
from busdoc.times import SECOND_NS, clock
from busdoc.words.counting import per_hour, plural
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["lags_picture", "rate_picture", "value_picture"]

_LEFT_IN, _RIGHT_IN = 0.75, 0.25
_LAG_COLUMNS = 32
_SHOWN_WINDOWS = 4.0
"""Lags are shown up to so many windows: what is beyond is what chance makes."""


def rate_picture(result: Result, rate: Rate) -> Picture:
    """Draw how often dropouts came, stretch by stretch, and each of them."""
    return Picture(
        title=f"{capital(plural(2, rate.called))} over time",
        text=_rate_text(result, rate),
        draw=lambda width_in, outlines: _draw_rate(result, rate, width_in, outlines),
        captioned=True,
        widths=(7.4, 3.9),
    )


def _rate_text(result: Result, rate: Rate) -> str:
    text = f"Dashed line: the mean of {per_hour(rate.per_hour)} an hour. Upright strokes below: every {rate.called}."
    if any(column.watched_s < 0.5 * (column.to_ns - column.from_ns) / SECOND_NS for column in rate.columns):
        text += " Grey: not recorded, or away for most of the time."
    if not rate.columns:
        return text
    busiest = max(rate.columns, key=lambda column: column.n)
    when = clock(busiest.from_ns, result.health.start_ns, epoch=result.capture.epoch)
    length = duration(busiest.to_ns - busiest.from_ns)
    many = plural(2, rate.called)
    return f"Filled: {many} in stretches of {length}; most, {busiest.n}, in the one from {when} on. {text}"


def _draw_rate(result: Result, rate: Rate, width_in: float, outlines: bool) -> str:
    health = result.health
    span_ns = max(1, health.until_ns - health.start_ns)
    bottom_in = 0.55 if result.capture.epoch else 0.42
    height_in = 1.6 + bottom_in
    plot = (_LEFT_IN / width_in, (width_in - _LEFT_IN - _RIGHT_IN) / width_in)
    with canvas(width_in, height_in, salt=f"rate {width_in} {'+'.join(rate.controllers)}", outlines=outlines) as figure:
        above = figure.add_axes((plot[0], (bottom_in + 0.4) / height_in, plot[1], 1.1 / height_in))
        below = figure.add_axes((plot[0], bottom_in / height_in, plot[1], 0.26 / height_in))
        _draw_columns(above, rate, health.start_ns)
        above.set_xlim(0, span_ns)
        above.set_xticks([])
        lost_ns = [health.incidents[k].last_seen_ns - health.start_ns for k in _incidents_of(result, rate)]
        if result.intermittent is not None:
            lost_ns += [t_ns - health.start_ns for t_ns in result.intermittent.came_ns]
        below.vlines(lost_ns, 0, 1, color=AWAY, linewidth=1.0)
        below.set_ylim(0, 1)
        below.set_yticks([])
        below.spines["left"].set_visible(False)
        label_time(below, span_ns, start_ns=health.start_ns, epoch=result.capture.epoch, most=9 if width_in > 5 else 5)
        return svg_of(figure, title=f"{capital(plural(2, rate.called))} over time", text=_rate_text(result, rate))


def _draw_columns(axes: "Axes", rate: Rate, start_ns: int) -> None:
    edges = np.array([column.from_ns for column in rate.columns] + [rate.columns[-1].to_ns]) - start_ns
    counts = [column.n for column in rate.columns]
    axes.stairs(counts, edges.astype(np.float64), fill=True, color=HEARD, alpha=0.6)
    length_h = float(np.diff(edges).mean()) / 3.6e12
    axes.axhline(rate.per_hour * length_h, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
    top = max(counts) * 1.15 or 1.0
    for column in rate.columns:
        length_ns = column.to_ns - column.from_ns
        if column.watched_s < 0.5 * length_ns / SECOND_NS:
            axes.axvspan(column.from_ns - start_ns, column.to_ns - start_ns, color=UNRECORDED, linewidth=0)
    axes.set_ylim(0, top)
    axes.locator_params(axis="y", integer=True, nbins=4)
    axes.tick_params(axis="y", labelsize=7.5)
    axes.set_ylabel(plural(2, rate.called), fontsize=7.5)


def lags_picture(one: Antecedent) -> Picture:
    """Draw how long after an event the dropouts came."""
    shown_s = _SHOWN_WINDOWS * one.window_s
    text = (
        f'From each {one.called} back to the last event "{one.name}": {one.preceded.sum()} of {one.n_dropouts} within '
        f"{one.window_s:g} s (left of the dashed line), by chance {one.expected_by_chance:.1f}; "
        f"{sum(lag_s > shown_s for lag_s in one.lags_s)} came later than {shown_s:g} s or after none. "
        "Dotted: chance, in each column."
    )
    return Picture(
        title=f'Time from "{one.name}" to the {one.called}',
        text=text,
        draw=lambda width_in, outlines: _draw_lags(one, text, width_in, outlines),
        captioned=True,
        widths=(7.4, 3.9),
    )


def _draw_lags(one: Antecedent, text: str, width_in: float, outlines: bool) -> str:
    height_in = 1.9
    with canvas(width_in, height_in, salt=f"lags {one.name} {width_in}", outlines=outlines) as figure:
        axes = figure.add_axes(
            (_LEFT_IN / width_in, 0.45 / height_in, (width_in - _LEFT_IN - _RIGHT_IN) / width_in, 1.35 / height_in)
        )
        edges = np.linspace(0.0, _SHOWN_WINDOWS * one.window_s, _LAG_COLUMNS + 1)
        counts, _ = np.histogram(np.array(one.lags_s), edges)
        axes.stairs(counts, edges, fill=True, color=HEARD, alpha=0.6)
        by_chance = one.expected_by_chance * _SHOWN_WINDOWS / _LAG_COLUMNS
        axes.axhline(by_chance, color=INK, linewidth=0.9, linestyle=(0, (1, 2)))
        axes.axvline(one.window_s, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.set_xlim(0.0, edges[-1])
        axes.set_ylim(0.0, max(float(counts.max(initial=0)), by_chance) * 1.15 or 1.0)
        axes.locator_params(axis="y", integer=True, nbins=4)
        axes.tick_params(labelsize=7.5)
        axes.set_xlabel(f"seconds from the last such event to the {one.called}", fontsize=7.5)
        axes.set_ylabel(plural(2, one.called), fontsize=7.5)
        return svg_of(figure, title=f"Time from {one.name} to the {one.called}", text=text)


def value_picture(one: Covariate) -> Picture:
    """Draw a value before the dropouts against the rest of the time."""
    return Picture(
        title=f"{one.name} before the {plural(2, one.called)}",
        text=f"{one.words.rstrip('.')}. Strokes: before each {one.called}. Curve: the share of the rest of the time "
        "with as little or less. Dashed: the threshold, with its interval in grey.",
        draw=lambda width_in, outlines: _draw_value(one, width_in, outlines),
        captioned=True,
        widths=(7.4, 3.9),
    )


def _draw_value(one: Covariate, width_in: float, outlines: bool) -> str:
    height_in = 2.1
    plot = (_LEFT_IN / width_in, (width_in - _LEFT_IN - _RIGHT_IN) / width_in)
    with canvas(width_in, height_in, salt=f"value {one.name} {width_in}", outlines=outlines) as figure:
        above = figure.add_axes((plot[0], 0.78 / height_in, plot[1], 1.22 / height_in))
        below = figure.add_axes((plot[0], 0.45 / height_in, plot[1], 0.26 / height_in))
        low = min(*one.before, *one.rest_quantiles, one.threshold_low)
        high = max(*one.before, *one.rest_quantiles, one.threshold_high)
        margin = 0.03 * (high - low) or 1.0
        above.plot(one.rest_quantiles, np.linspace(0.0, 100.0, len(one.rest_quantiles)), color=HEARD, linewidth=1.6)
        below.vlines(one.before, 0, 1, color=AWAY, linewidth=1.2)
        for axes in (above, below):
            axes.axvspan(one.threshold_low, one.threshold_high, color=UNRECORDED, linewidth=0, zorder=0)
            axes.axvline(one.threshold, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
            axes.set_xlim(low - margin, high + margin)
        above.set_ylim(0, 100)
        above.set_xticks([])
        above.locator_params(axis="y", nbins=4)
        above.tick_params(axis="y", labelsize=7.5)
        above.set_ylabel("rest of the\ntime, %", fontsize=7.5)
        below.set_ylim(0, 1)
        below.set_yticks([])
        below.spines["left"].set_visible(False)
        below.tick_params(axis="x", labelsize=7.5)
        below.set_xlabel(_axis_words(one), fontsize=7.5)
        return svg_of(figure, title=f"{one.name} before the {plural(2, one.called)}", text=one.words)


def _axis_words(one: Covariate) -> str:
    per = "/s" if one.kind is FeatureKind.SLOPE else ""
    unit = f", {one.unit}{per}" if one.unit or per else ""
    what = "last value" if one.window_s == 0.0 else f"{one.kind} over {duration(round(one.window_s * SECOND_NS))}"
    return f"{one.name}: {what}{unit}"


def _incidents_of(result: Result, rate: Rate) -> tuple[int, ...]:
    found = result.intermittent
    if found is None or found.symptom is not None:
        return ()
    group = next((g for g in found.groups if g.controllers == rate.controllers), None)
    return found.dropouts if group is None or not rate.controllers else group.incidents
