"""The complaint: whether it shows, since when, how often it came; under it, its own strip beside those of the roll."""

from collections.abc import Sequence
from datetime import tzinfo

from busdoc.live.view import ComplaintRow, SessionView
from busdoc.screen.areas.strip import Window, window_at
from busdoc.screen.drawing.lines import Line, fit, line_of, shorten
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import moment
from busdoc.words.counting import times
from busdoc.words.duration import in_column
from busdoc.words.printable import printable
from busdoc.words.sentence import capital

__all__ = ["complaint_state", "draw_complaint"]

_SHOWING, _FREE, _UNSEEN = "█", "·", " "


def complaint_state(row: ComplaintRow) -> tuple[str, Tone]:
    """Say in a word how the complaint stands."""
    if row.showing:
        return "SHOWING", Tone.BAD
    if row.seen:
        return "not showing", Tone.GOOD
    return ("nobody has looked at" if row.asked else "cannot be seen now"), Tone.ASIDE


def draw_complaint(
    view: SessionView, width: int, zone: tzinfo | None, *, label: int, length_s: int, back_ns: int
) -> list[Line]:
    """Draw it on two lines, nothing where there is no complaint.

    Parameters
    ----------
    label : width of what stands left of the strip; 0: there is no room for a strip
    length_s, back_ns : the stretch of the strip
    """
    row = view.complaint
    if row is None:
        return []
    word, tone = complaint_state(row)
    since = moment(row.since_ns, view.start_ns, epoch=view.epoch, zone=zone)
    lasts = f" since {since} ({in_column(view.now_ns - row.since_ns)})"
    more = [f"came {times(row.n_came)}"] if row.n_came else []
    more += [f"its own count {row.own_count}"] if row.own_count is not None else []
    more += [row.goes] if row.goes else []
    tail = f"; {', '.join(more)}" if more else ""
    asked = f" · {capital(row.asked)}: f it shows, g gone ·" if row.asked else ""
    said = line_of(
        (f" {word}", tone),
        (f" {printable(row.name)}", Tone.STRONG),
        (asked, Tone.DO),
        (f"{lasts}{tail}", Tone.FAINT),
    )
    lines = [fit(said, width)]
    if label:
        window = window_at(view.now_ns, back_ns, length_s, max(1, width - label - 2))
        strip = "".join(_stroke(row, window, column, view.now_ns) for column in range(window.columns))
        lines.append(
            fit(line_of((f" {shorten('the complaint', label - 1)}".ljust(label + 1), Tone.FAINT), (strip, tone)), width)
        )
    return lines


def _stroke(row: ComplaintRow, window: Window, column: int, now_ns: int) -> str:
    low = window.start_ns + column * window.column_ns
    high = min(low + window.column_ns, now_ns)
    if high <= low:
        return _UNSEEN
    if _meets(row.spans, low, high):
        return _SHOWING
    return _FREE if _meets(row.observable, low, high) else _UNSEEN


def _meets(spans: Sequence[tuple[int, int]], low: int, high: int) -> bool:
    return any(from_ns < high and to_ns > low for from_ns, to_ns in spans)
