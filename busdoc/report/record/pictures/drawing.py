"""What every picture shares: the canvas, the colours, the axis of time, and SVG that can stand inside a page.

Pictures are drawn by matplotlib's SVG backend, without pyplot. State is told by shape first (thick bar, thin line, half
bar), so that they read in black and white; the colours are from a palette that is safe for colour-blind eyes (Okabe and
Ito 2008).
"""

import io
import logging
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import TYPE_CHECKING

from busdoc.report.output import printable
from busdoc.times import SECOND_NS, wall_time, zone_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "AWAY",
    "CODE",
    "HEARD",
    "INK",
    "PARTLY",
    "UNRECORDED",
    "canvas",
    "label_rows",
    "load_drawing",
    "name_rows",
    "svg_of",
    "time_axis",
    "time_ticks",
]

HEARD = "#0072B2"
PARTLY = "#56B4E9"
AWAY = "#D55E00"
CODE = "#000000"
UNRECORDED = "#DDDDDD"
INK = "#222222"

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800)
_RC = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.parse_math": False,  # a name with dollar signs is a name
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "path.simplify_threshold": 0.3,
}
_UNUSED_ID = re.compile(r'<(g|path|use) id="(?!p[0-9a-f]{10}|m[0-9a-f]{10}|[A-Za-z-]*DejaVu)[^"]*"')
_PREAMBLE = re.compile(r"^.*?(?=<svg )", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_OPENING = re.compile(r"<svg [^>]*?viewBox=\"([^\"]*)\"[^>]*>")
_SPACE = re.compile(r"\n\s*")
_SILENT_LOG = logging.NullHandler()
"""For the plotting library's remarks, such as that it may keep no cache: they stay out of a terminal's verdict."""


def load_drawing() -> None:
    """Load the plotting library, which takes some tenths of a second."""
    logging.getLogger("matplotlib").addHandler(_SILENT_LOG)
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401


@contextmanager
def canvas(width_in: float, height_in: float, *, salt: str, outlines: bool) -> "Iterator[Figure]":
    """Give an empty figure to draw on and to hand to `svg_of`, within the same block.

    Parameters
    ----------
    salt : makes the picture's inner names differ from those of any other on the page
    outlines : draw letters as outlines instead of text, for readers without fonts
    """
    logging.getLogger("matplotlib").addHandler(_SILENT_LOG)
    import matplotlib as mpl
    from matplotlib.figure import Figure

    settings = _RC | {"svg.hashsalt": salt, "svg.fonttype": "path" if outlines else "none"}
    with mpl.rc_context(settings), warnings.catch_warnings():  # type: ignore[arg-type]  # keys are known at run time
        warnings.filterwarnings("ignore", message=r"Glyph .* missing", category=UserWarning)
        yield Figure(figsize=(width_in, height_in))


def svg_of(figure: "Figure", *, title: str, text: str) -> str:
    """Write a figure as an `svg` element with its text equivalent inside."""
    raw = io.StringIO()
    figure.savefig(raw, format="svg", metadata={"Date": None, "Creator": None})
    body = _METADATA.sub("", _PREAMBLE.sub("", raw.getvalue(), count=1))
    body = _UNUSED_ID.sub(r"<\1", body).replace("'DejaVu Sans'", "system-ui, sans-serif")
    opening = (
        r'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="\1" role="img">'
    )
    words = f"<title>{escape(printable(title))}</title><desc>{escape(printable(text))}</desc>"
    head, found, rest = body.partition(">")
    opened = _OPENING.sub(opening, head + found, count=1)
    return _SPACE.sub("\n", opened + words + rest).strip()


def time_ticks(span_ns: int, most: int) -> list[int]:
    """Give round instants of a span that starts at zero, at most `most` of them, ns.

    >>> [t // 10**9 for t in time_ticks(95 * 10**9, 5)]
    [0, 30, 60, 90]
    """
    span_s = max(1, span_ns // SECOND_NS)
    step_s = next((step for step in _STEPS_S if span_s // step < most), _STEPS_S[-1] * (1 + span_s // 10**6))
    return [k * step_s * SECOND_NS for k in range(span_s // step_s + 1)]


def time_axis(axes: "Axes", span_ns: int, *, start_ns: int, epoch: bool, most: int) -> None:
    """Label the axis with the time since the start, and the time of day under it where it is known."""
    ticks = time_ticks(span_ns, most)
    long = span_ns >= 3600 * SECOND_NS
    labels = []
    for t_ns in ticks:
        t_s = t_ns // SECOND_NS
        label = f"{t_s // 3600}:{t_s % 3600 // 60:02d}" if long else f"{t_s // 60}:{t_s % 60:02d}"
        if epoch:
            moment = wall_time(start_ns + t_ns)
            label += f"\n{moment:%H:%M}" if long else f"\n{moment:%H:%M:%S}"
        labels.append(label)
    axes.set_xlim(0, max(span_ns, 1))
    axes.set_xticks(ticks, labels, fontsize=7.5)
    unit = "h:min" if long else "min:s"
    axes.set_xlabel(
        f"since the start, {unit}" + (f" (below: time of day, {zone_words(start_ns)})" if epoch else ""), fontsize=7.5
    )


def name_rows(axes: "Axes", names: Sequence[str], *, fontsize: float = 8.5) -> None:
    """Write one name beside each row; row 0 is the top one."""
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_yticks(range(len(names)), names, fontsize=fontsize)
    axes.tick_params(axis="y", length=0, pad=3)
    axes.spines["left"].set_visible(False)


def label_rows(at: Sequence[float], width: Sequence[float], most_rows: int) -> list[int | None]:
    """Choose a row for each label so that none overlap; None where there is no room.

    >>> label_rows([0.0, 1.0, 5.0], [2.0, 2.0, 2.0], 2)
    [0, 1, 0]
    """
    ends = [float("-inf")] * most_rows
    rows: list[int | None] = []
    for x, wide in zip(at, width, strict=True):
        row = next((k for k, end in enumerate(ends) if x - wide / 2 >= end), None)
        if row is not None:
            ends[row] = x + wide / 2
        rows.append(row)
    return rows
