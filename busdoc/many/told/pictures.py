"""Pictures of a fleet: machines beside each other with what is believed of them, and the months."""

from collections.abc import Sequence

from busdoc.many.conclusions.findings import KindFindings, Ranked
from busdoc.many.told.words import in_100_h
from busdoc.report.output import shortened
from busdoc.report.record.page import Picture
from busdoc.report.record.pictures.drawing import AWAY, HEARD, INK, UNRECORDED, canvas, name_rows, svg_of

__all__ = ["machines_picture", "months_picture"]

_MOST = 20
_ROW_IN, _FOOT_IN, _GAP_IN = 0.23, 0.55, 0.1
_LEFT_SHARE = 0.35
"""Of the width, at most, for names."""
_NAME_PT, _NAME_LETTERS = 8.5, 40
_PER_H = 100.0


def machines_picture(kind: KindFindings) -> Picture | None:
    """Draw the worst machines of a kind; None where nothing dropped."""
    ranked = [one.ranked for one in kind.machines[:_MOST]]
    if kind.typical is None or not ranked:
        return None
    typical, low, high = kind.typical
    text = (
        "Each machine's rate as believed, and its 95 % interval. A square: it drops more often than its fellows. Grey: "
        f"the average of the kind, {in_100_h(typical)} in 100 h ({in_100_h(low)} to {in_100_h(high)})."
    )
    if len(kind.machines) > _MOST:
        text += f" The {_MOST} worst of {len(kind.machines)}."
    return Picture(
        title=f"Machines: {kind.name}",
        text=text,
        captioned=True,
        draw=lambda width_in, outlines: _draw_machines(kind, ranked, text, width_in, outlines),
        widths=(7.4, 3.9),
    )


def _draw_machines(kind: KindFindings, ranked: Sequence[Ranked], text: str, width_in: float, outlines: bool) -> str:
    height_in = _ROW_IN * len(ranked) + _FOOT_IN + 0.1
    typical = kind.typical or (0.0, 0.0, 0.0)
    with canvas(width_in, height_in, salt=f"machines {kind.name} {width_in}", outlines=outlines) as figure:
        names, left_in = _beside([one.machine for one in ranked], _LEFT_SHARE * width_in)
        box = (left_in / width_in, _FOOT_IN / height_in, 1.0 - (left_in + 0.2) / width_in, 1.0 - 0.65 / height_in)
        axes = figure.add_axes(box)
        axes.axvspan(typical[1] * _PER_H, typical[2] * _PER_H, color=UNRECORDED, linewidth=0)
        axes.axvline(typical[0] * _PER_H, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        for row, one in enumerate(ranked):
            colour = AWAY if one.worse else HEARD
            axes.plot([one.low * _PER_H, one.high * _PER_H], [row, row], color=colour, linewidth=1.6)
            axes.plot([one.believed * _PER_H], [row], color=colour, marker="s" if one.worse else "o", markersize=5)
        name_rows(axes, names, fontsize=_NAME_PT)
        axes.set_xlim(0.0, max(one.high for one in ranked) * _PER_H * 1.05)
        axes.locator_params(axis="x", nbins=7 if width_in > 5 else 4)
        axes.tick_params(axis="x", labelsize=7.5)
        axes.set_xlabel("dropouts in 100 h", fontsize=7.5)
        return svg_of(figure, title=f"Machines: {kind.name}", text=text)


def _beside(names: Sequence[str], most_in: float) -> tuple[list[str], float]:
    """Shorten names until they fit beside the rows; give them, and the room that the longest takes, inches."""
    from matplotlib.textpath import TextPath

    def wide_in(text: str) -> float:
        return float(TextPath((0, 0), text, size=_NAME_PT).get_extents().width) / 72.0 if text.strip() else 0.0

    shown = []
    for name in names:
        letters = _NAME_LETTERS
        while wide_in(shortened(name, letters)) > most_in - _GAP_IN and letters > 2:
            letters -= 1
        shown.append(shortened(name, letters))
    return shown, max(map(wide_in, shown), default=0.0) + _GAP_IN


def months_picture(kind: KindFindings) -> Picture | None:
    """Draw the rate month by month; None with fewer than three."""
    if len(kind.months) < 3 or not kind.rate.n:
        return None
    text = (
        "Dropouts in 100 h, month by month, all machines of the kind together, with exact 95 % intervals. Machines "
        "come and go, so a month may be worse because worse machines were watched in it."
    )
    return Picture(
        title=f"Months: {kind.name}",
        text=text,
        captioned=True,
        draw=lambda width_in, outlines: _draw_months(kind, text, width_in, outlines),
        widths=(7.4, 3.9),
    )


def _draw_months(kind: KindFindings, text: str, width_in: float, outlines: bool) -> str:
    height_in = 1.9
    months = kind.months
    with canvas(width_in, height_in, salt=f"months {kind.name} {width_in}", outlines=outlines) as figure:
        axes = figure.add_axes((0.6 / width_in, 0.45 / height_in, 1.0 - 0.8 / width_in, 1.0 - 0.55 / height_in))
        for place, (_, rate) in enumerate(months):
            axes.plot([place, place], [rate.low * _PER_H, rate.high * _PER_H], color=HEARD, linewidth=1.6)
            axes.plot([place], [rate.per_hour * _PER_H], color=HEARD, marker="o", markersize=5)
        step = max(1, -(-len(months) // (12 if width_in > 5 else 5)))
        axes.set_xticks(range(0, len(months), step), [name for name, _ in months[::step]], fontsize=7.5)
        axes.set_xlim(-0.5, len(months) - 0.5)
        likely = sorted(rate.high * _PER_H for _, rate in months)
        axes.set_ylim(0.0, likely[len(likely) // 2] * 2.5)
        axes.tick_params(axis="y", labelsize=7.5)
        axes.set_ylabel("in 100 h", fontsize=7.5)
        return svg_of(figure, title=f"Months: {kind.name}", text=text)
