"""The picture of one incident: from shortly before the last frame to shortly after everything is in step again."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdoc.analysis.result import Result
from busdoc.health.incident import Incident, Loss
from busdoc.isolation.verdict import Because
from busdoc.report.output import shortened
from busdoc.report.record.page import Picture
from busdoc.report.record.pictures.drawing import AWAY, CODE, HEARD, INK, PARTLY, canvas, label_rows, name_rows, svg_of
from busdoc.report.words.incidents import incident_in_words, onset_in_words
from busdoc.times import SECOND_NS
from busdoc.words.duration import duration

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["HOW_TO_READ", "incident_picture"]

HOW_TO_READ = (
    "In the pictures of incidents: thick bar: heard; open box: between the last frame heard and the first one missed; "
    "thin line: silent; half bar: heard again, not yet in step; upright dashed lines: actions, with the uncertainty of "
    "their time; triangles: a fault code was raised; short strokes: single frames of one identifier."
)

_MOST_ROWS = 8
_MOST_STREAMS = 6
_MOST_ACTIONS = 30
_NEAR_NS = 120 * SECOND_NS
"""An answer's action is taken into the picture when it lies this near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    name: str
    loss: Loss
    ticks: tuple[int, ...] = ()
    """Frames of one stream, ns; a row that has any shows these alone."""
    is_stream: bool = False


def incident_picture(result: Result, n: int) -> Picture:
    """Draw incident `n`, counted from 1."""
    incident = result.incidents[n - 1]
    channels = result.capture.channel_names
    return Picture(
        title=f"Incident {n}: {incident_in_words(incident, channels)}",
        text=f"Incident {n}: {onset_in_words(incident, channels)}.",
        captioned=False,
        draw=lambda width_in, outlines: _draw(result, n, width_in, outlines),
        widths=(4.5,),
    )


def _rows(incident: Incident) -> list[_Row]:
    losses = incident.losses or (
        Loss(
            controller=incident.controllers[0] if len(incident.controllers) == 1 else "whole bus",
            last_seen_ns=incident.last_seen_ns,
            onset_ns=incident.onset_ns,
            back_ns=incident.back_ns,
            steady_ns=incident.steady_ns,
            ran_on=incident.ran_on,
            p_restarted=incident.p_restarted,
        ),
    )
    rows = [_Row(name=loss.controller, loss=loss) for loss in losses[:_MOST_ROWS]]
    for loss in losses[:1]:
        for frames in loss.frames[:_MOST_STREAMS]:
            ticks = tuple(t_ns for t_ns, _ in (*frames.before, *frames.after))
            rows.append(_Row(name=str(frames.stream), loss=loss, ticks=ticks, is_stream=True))
    return rows


def _window(result: Result, incident: Incident, because: Because) -> tuple[int, int]:
    first_ns = min([incident.last_seen_ns, *(loss.last_seen_ns for loss in incident.losses)])
    ends = [incident.onset_ns, incident.back_ns, incident.steady_ns]
    last_ns = max(t_ns for t_ns in ends if t_ns is not None)
    action = next((a for a in result.actions if a.n == because.action), None)
    if action is not None and abs(action.time_ns - incident.onset_ns) <= _NEAR_NS:
        first_ns = min(first_ns, action.time_ns - action.uncertainty_ns)
        last_ns = max(last_ns, action.time_ns + action.uncertainty_ns)
    around_ns = max(SECOND_NS // 2, (last_ns - first_ns) // 4)
    if incident.back_ns is None:
        last_ns += max(2 * SECOND_NS, 2 * (last_ns - first_ns))
    low = max(result.health.start_ns, first_ns - around_ns)
    high = min(result.health.until_ns, last_ns + around_ns)
    return low, max(high, low + SECOND_NS // 10)


def _draw(result: Result, n: int, width_in: float, outlines: bool) -> str:
    incident, because = result.incidents[n - 1], result.because[n - 1]
    rows = _rows(incident)
    low_ns, high_ns = _window(result, incident, because)
    zero_ns = incident.last_seen_ns
    names = [shortened(row.name, 16) for row in rows]
    left_in = 0.15 + 0.072 * max(len(name) for name in names)
    plot_in = width_in - left_in - 0.15
    acts = [a for a in result.actions if low_ns <= a.time_ns <= high_ns][:_MOST_ACTIONS]
    per_in = (high_ns - low_ns) / plot_in
    wide = [(0.08 * (len(str(a.n)) + 7) + 0.05) * per_in for a in acts]
    lifts = label_rows([float(a.time_ns) for a in acts], wide, 3)
    top_in = 0.12 + 0.15 * (1 + max((row for row in lifts if row is not None), default=-1))
    height_in = top_in + 0.24 * len(rows) + 0.42
    picture = incident_picture(result, n)
    with canvas(width_in, height_in, salt=f"incident {n} {width_in}", outlines=outlines) as figure:
        axes = figure.add_axes((left_in / width_in, 0.42 / height_in, plot_in / width_in, 0.24 * len(rows) / height_in))
        name_rows(axes, names, fontsize=8)
        axes.set_xlim((low_ns - zero_ns) / SECOND_NS, (high_ns - zero_ns) / SECOND_NS)
        axes.locator_params(axis="x", nbins=6)
        axes.tick_params(axis="x", labelsize=7.5)
        axes.set_xlabel(f"seconds since the last frame heard ({duration(high_ns - low_ns)} shown)", fontsize=7.5)
        for at, row in enumerate(rows):
            _draw_row(axes, at, row, low_ns - zero_ns, high_ns - zero_ns, zero_ns)
        for action, lift in zip(acts, lifts, strict=True):
            at_s = (action.time_ns - zero_ns) / SECOND_NS
            spread_s = action.uncertainty_ns / SECOND_NS
            axes.axvline(at_s, color=INK, linewidth=0.7, linestyle=(0, (3, 2)), zorder=4)
            axes.plot((at_s - spread_s, at_s + spread_s), (-0.55, -0.55), color=INK, linewidth=1.6, clip_on=True)
            if lift is not None:
                _label(axes, at_s, -0.7 - lift * 0.15 / 0.24, f"action {action.n}")
        _draw_codes(axes, rows, result, low_ns, high_ns, zero_ns)
        return svg_of(figure, title=picture.title, text=picture.text)


def _label(axes: "Axes", at_s: float, y: float, text: str) -> None:
    """Write a label over its line, or beside it where it would stick out."""
    low, high = axes.get_xlim()
    share = (at_s - low) / (high - low)
    side = "left" if share < 0.12 else "right" if share > 0.88 else "center"
    axes.text(at_s, y, text, ha=side, va="bottom", fontsize=7.5, clip_on=False)


def _draw_row(axes: "Axes", at: int, row: _Row, low_ns: int, high_ns: int, zero_ns: int) -> None:
    if row.is_stream:
        ticks_s = [(t_ns - zero_ns) / SECOND_NS for t_ns in row.ticks if low_ns <= t_ns - zero_ns <= high_ns]
        axes.vlines(ticks_s, at - 0.3, at + 0.3, color=INK, linewidth=0.7)
        return
    loss = row.loss
    last, onset = loss.last_seen_ns - zero_ns, max(loss.onset_ns, loss.last_seen_ns) - zero_ns
    back = high_ns if loss.back_ns is None else loss.back_ns - zero_ns
    steady = high_ns if loss.steady_ns is None else loss.steady_ns - zero_ns
    onset, steady = min(onset, back), max(steady, back)
    _bar(axes, low_ns, last, (at - 0.34, 0.68), HEARD, (low_ns, high_ns))
    _bar(axes, last, onset, (at - 0.34, 0.68), "white", (low_ns, high_ns), edge=INK)
    _bar(axes, onset, back, (at - 0.07, 0.14), AWAY, (low_ns, high_ns))
    _bar(axes, back, steady, (at, 0.34), PARTLY, (low_ns, high_ns))
    _bar(axes, steady, high_ns, (at - 0.34, 0.68), HEARD, (low_ns, high_ns))


def _bar(
    axes: "Axes",
    from_ns: int,
    to_ns: int,
    band: tuple[float, float],
    colour: str,
    window: tuple[int, int],
    edge: str | None = None,
) -> None:
    low, high = max(from_ns, window[0]), min(to_ns, window[1])
    if high > low:
        line = {"edgecolor": edge, "linewidth": 0.7} if edge else {"linewidth": 0.0}
        axes.broken_barh([(low / SECOND_NS, (high - low) / SECOND_NS)], band, facecolor=colour, **line)


def _draw_codes(axes: "Axes", rows: Sequence[_Row], result: Result, low_ns: int, high_ns: int, zero_ns: int) -> None:
    row_of = {row.name: at for at, row in enumerate(rows) if not row.is_stream}
    raised = [
        ((raised_ns - zero_ns) / SECOND_NS, row_of[code.controller])
        for code in result.codes
        if code.controller in row_of
        for raised_ns, _ in code.active_spans or ((code.first_ns, None),)
        if low_ns <= raised_ns <= high_ns
    ][:40]
    if raised:
        at, of_row = zip(*raised, strict=True)
        axes.scatter(at, of_row, marker="v", s=22, color=CODE, edgecolors="white", linewidths=0.6, zorder=5)
