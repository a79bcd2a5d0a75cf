"""The picture of presence: every controller over the whole capture, with the actions and the codes."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth, heard_span
from busdoc.health.incident import GapKind, IncidentKind
from busdoc.report.output import shortened
from busdoc.report.record.page import Picture
from busdoc.report.record.pictures.drawing import (
    AWAY,
    CODE,
    HEARD,
    INK,
    PARTLY,
    UNRECORDED,
    canvas,
    label_rows,
    name_rows,
    svg_of,
)
from busdoc.report.record.pictures.drawing import time_axis as label_time
from busdoc.symptoms.symptom import Symptom

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["MOST_ROWS", "heard_spans", "presence_picture", "shown_controllers"]

MOST_ROWS = 48
_MOST_MARKS = 400
_COLUMNS = 400
"""Absences closer than the capture's length over this run together: finer detail could not be seen."""
_ROW_IN = 0.215
_LETTER_IN = 0.072

_THE_COMPLAINT = "the complaint"
_MOST_LABEL_ROWS = 8
"""Rows of numbers above the picture; where they do not all find room, none is drawn."""
_OF_THE_COMPLAINT = " Last row, the complaint: thick where it showed, thin where it could have been seen and did not."

Span = tuple[int, int]


def shown_controllers(result: Result) -> tuple[ControllerHealth, ...]:
    """Give the controllers that get a row, in their order: all, or of very many those with something to show."""
    controllers = result.health.controllers
    if len(controllers) <= MOST_ROWS:
        return controllers
    told = sorted(controllers, key=lambda one: -(one.dropouts + one.restarts + (one.first_ns is None)))[:MOST_ROWS]
    chosen = {one.name for one in told}
    return tuple(one for one in controllers if one.name in chosen)[:MOST_ROWS]


def presence_picture(result: Result) -> Picture | None:
    """Draw the presence of the controllers; None when there are none."""
    if not result.health.controllers:
        return None
    return Picture(
        title="Presence of every controller over the whole capture",
        text="Thick bar: heard. Thin line: silent. Half bar: some of its streams missing. Grey: nothing recorded. "
        "Blank: not heard yet, or no more. "
        "Numbers and upright lines: actions. Triangles: a fault code was raised. The table below says the same."
        + ("" if result.complaint is None else _OF_THE_COMPLAINT),
        draw=lambda width_in, outlines: _draw(result, width_in, outlines),
        captioned=True,
        widths=(7.4, 3.9),
    )


def _draw(result: Result, width_in: float, outlines: bool) -> str:
    controllers = shown_controllers(result)
    health = result.health
    span_ns = max(1, health.until_ns - health.start_ns)
    wide = width_in > 5
    names = [shortened(one.name, 24 if wide else 13) for one in controllers]
    names += [] if result.complaint is None else [_THE_COMPLAINT]
    left_in = 0.15 + _LETTER_IN * max(len(name) for name in names)
    plot_in = width_in - left_in - 0.32
    per_in = span_ns / plot_in
    since = ((action.time_ns - health.start_ns, str(action.n)) for action in result.actions)
    marks = [(t_ns, n) for t_ns, n in since if 0 <= t_ns <= span_ns]  # a journal may go on after the recording
    rows = label_rows([t for t, _ in marks], [(0.09 * len(n) + 0.05) * per_in for _, n in marks], _MOST_LABEL_ROWS)
    if None in rows or len(marks) > _MOST_MARKS:  # a number that is missing would look like an action that is
        rows = [None] * len(marks)
    top_in = 0.1 + 0.15 * (1 + max((row for row in rows if row is not None), default=-1))
    bottom_in = 0.55 if result.capture.epoch else 0.42
    rows_in = _ROW_IN * len(names)
    height_in = top_in + rows_in + bottom_in
    with canvas(width_in, height_in, salt=f"presence {width_in}", outlines=outlines) as figure:
        axes = figure.add_axes((left_in / width_in, bottom_in / height_in, plot_in / width_in, rows_in / height_in))
        name_rows(axes, names, fontsize=8.5 if wide else 8)
        label_time(axes, span_ns, start_ns=health.start_ns, epoch=result.capture.epoch, most=9 if wide else 5)
        _draw_gaps(axes, result)
        _draw_rows(axes, controllers, result, span_ns)
        if result.complaint is not None:
            _draw_complaint(axes, result.complaint, result.health.start_ns, span_ns, len(controllers))
        _draw_codes(axes, controllers, result)
        for (t_ns, n), label_row in zip(marks[:_MOST_MARKS], rows, strict=False):
            axes.axvline(t_ns, color=INK, linewidth=0.5, linestyle=(0, (3, 2)), zorder=4)
            if label_row is not None:
                lift = -0.75 - label_row * 0.15 / _ROW_IN
                axes.text(t_ns, lift, n, ha="center", va="bottom", fontsize=7.5, clip_on=False)
        picture = presence_picture(result)
        assert picture is not None  # there are controllers
        return svg_of(figure, title=picture.title, text=picture.text)


def _draw_gaps(axes: "Axes", result: Result) -> None:
    health = result.health
    for gap in [gap for gap in health.gaps if gap.kind is GapKind.CAPTURE_GAP][:_MOST_MARKS]:
        axes.axvspan(
            gap.from_ns - health.start_ns, gap.to_ns - health.start_ns, color=UNRECORDED, linewidth=0, zorder=3
        )


def _draw_rows(axes: "Axes", controllers: Sequence[ControllerHealth], result: Result, span_ns: int) -> None:
    """Draw all rows, one collection for each state: a collection for each row takes several times as long."""
    least_ns = max(1, span_ns // _COLUMNS)
    heard, away, partly = _Boxes(), _Boxes(), _Boxes()
    for row, controller in enumerate(controllers):
        silent, late = _spans_of(controller, result, span_ns, least_ns)
        heard.add(heard_spans(controller, result, silent), row - 0.34, row + 0.34)
        away.add(silent, row - 0.07, row + 0.07)
        partly.add(late, row, row + 0.34)
    blank = _Boxes([[(x, y - 0.36) for x, y in box] for box in partly.corners])
    for boxes, colour, order in ((heard, HEARD, 1.0), (away, AWAY, 1.0), (blank, "white", 1.5), (partly, PARTLY, 1.6)):
        boxes.draw(axes, colour, order)


def _draw_complaint(axes: "Axes", complaint: Symptom, start_ns: int, span_ns: int, row: int) -> None:
    """Draw its row, below those of the controllers."""
    least_ns = max(1, span_ns // _COLUMNS)
    shown = [(span.since_ns - start_ns, (span.gone_ns or start_ns + span_ns) - start_ns) for span in complaint.spans]
    seen = [(from_ns - start_ns, to_ns - start_ns) for from_ns, to_ns in complaint.observable]
    showing, free = _Boxes(), _Boxes()
    showing.add(_merged(shown, least_ns, span_ns), row - 0.34, row + 0.34)
    free.add(_merged(seen, least_ns, span_ns), row - 0.07, row + 0.07)
    free.draw(axes, HEARD, 1.0)
    showing.draw(axes, CODE, 1.5)


class _Boxes:
    """Boxes of one colour."""

    def __init__(self, corners: Sequence[Sequence[tuple[float, float]]] = ()) -> None:
        self.corners = [list(box) for box in corners]

    def add(self, spans: Sequence[Span], top: float, bottom: float) -> None:
        self.corners += [[(a, top), (b, top), (b, bottom), (a, bottom)] for a, b in spans]

    def draw(self, axes: "Axes", colour: str, order: float) -> None:
        from matplotlib.collections import PolyCollection

        if self.corners:
            axes.add_collection(
                PolyCollection(self.corners, facecolors=colour, linewidths=0, zorder=order), autolim=False
            )


def _spans_of(
    controller: ControllerHealth, result: Result, span_ns: int, least_ns: int
) -> tuple[list[Span], list[Span]]:
    """Give the spans in which a controller was silent, and those in which it was late."""
    start_ns, until_ns = result.health.start_ns, result.health.until_ns
    if controller.first_ns is None:
        return [(0, span_ns)], []
    silent = [(a - start_ns, b - start_ns) for a, b in controller.absences]
    late = [
        (incident.onset_ns - start_ns, (incident.back_ns or until_ns) - start_ns)
        for incident in result.incidents
        if incident.kind is IncidentKind.LATE and controller.name in incident.controllers
    ]
    return _merged(silent, least_ns, span_ns), _merged(late, least_ns, span_ns)


def _draw_codes(axes: "Axes", controllers: Sequence[ControllerHealth], result: Result) -> None:
    row_of = {one.name: row for row, one in enumerate(controllers)}
    raised = [
        (raised_ns - result.health.start_ns, row_of[code.controller])
        for code in result.codes
        if code.controller in row_of
        for raised_ns, _ in code.active_spans or ((code.first_ns, None),)
    ][:_MOST_MARKS]
    if raised:
        at, rows = zip(*raised, strict=True)
        axes.scatter(
            at,
            rows,
            marker="v",
            s=22 if len(raised) < 40 else 9,
            color=CODE,
            edgecolors="white",
            linewidths=0.6,
            zorder=5,
        )


def _merged(spans: Sequence[Span], least_ns: int, span_ns: int) -> list[Span]:
    """Widen short spans until they can be seen, and join those that then touch."""
    joined: list[Span] = []
    for from_ns, to_ns in sorted(spans):
        low, high = max(0, from_ns), min(span_ns, to_ns)
        if high - low < least_ns:
            middle = (low + high) // 2
            low, high = max(0, middle - least_ns // 2), min(span_ns, middle + least_ns // 2)
        if joined and low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(high, joined[-1][1]))
        elif high > low:
            joined.append((low, high))
    return joined


def heard_spans(controller: ControllerHealth, result: Result, silent: Sequence[Span]) -> list[Span]:
    """Give when a controller was there: between its first frame and its last one, but for its silences.

    Parameters
    ----------
    silent : since the start of the capture, ns, ascending and apart
    """
    if controller.first_ns is None:
        return []
    span_ns = max(1, result.health.until_ns - result.health.start_ns)
    from_ns, to_ns = (t_ns - result.health.start_ns for t_ns in heard_span(controller))
    cut = [(max(a, from_ns), min(b, to_ns)) for a, b in _between(silent, span_ns) if a <= to_ns and b >= from_ns]
    return _merged(cut, max(1, span_ns // _COLUMNS), span_ns)


def _between(spans: Sequence[Span], span_ns: int) -> list[Span]:
    edges = [0, *(edge for span in spans for edge in span), span_ns]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
