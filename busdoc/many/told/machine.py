"""The page of one machine of a fleet, and what it has in common with that of the whole."""

from collections.abc import Iterator
from datetime import datetime
from importlib import metadata
from pathlib import Path
from urllib.parse import quote

from busdoc.analysis.result import USUAL_CAUTIONS
from busdoc.many.conclusions.findings import KindFindings, MachineFindings, Ranked
from busdoc.many.judged import Outcome
from busdoc.many.kept.store import Listed
from busdoc.many.told.words import expected_words, hours_words, in_100_h, look_at, rate_words, times_words, trend_words
from busdoc.report.record.page import Align, Block, Column, Facts, Items, Page, Section, Table, Text, Tone
from busdoc.times import SECOND_NS, wall_time
from busdoc.words.counting import counted

__all__ = ["MOST_ROWS", "RANKED", "believed", "cautions", "interval", "machine_page", "made_by"]

MOST_ROWS = 500
"""Of a table on a page."""
RANKED = (
    Column(name="What"),
    Column(name="Dropouts", align=Align.RIGHT, weight=0.6),
    Column(name="In 100 h", align=Align.RIGHT, weight=1.3),
    Column(name="Machines", align=Align.RIGHT, weight=0.6),
    Column(name="Among its fellows", weight=1.4),
)
_CAPTURES = (
    Column(name="Capture", weight=1.6),
    Column(name="Recorded", weight=1.0),
    Column(name="Hours", align=Align.RIGHT, weight=0.6),
    Column(name="Dropouts", align=Align.RIGHT, weight=0.6),
    Column(name="What it says", weight=3.0),
)


def machine_page(kind: KindFindings, machine: MachineFindings, lines: Iterator[Listed], written: datetime) -> Page:
    """Put the page of one machine together: where it stands, and a line for each capture with its own report."""
    one = machine.ranked
    worse = one.worse or any(rank.worse for rank in machine.controllers)
    ranked = [rank for rank in machine.controllers if rank.rate.n]
    front: list[Block] = [Text(text=f"Look at first: {look_at(machine)}.")] if one.rate.n else []
    if ranked:
        rows = tuple(
            (
                rank.name,
                f"{rank.rate.n:,}",
                interval(rank.rate.per_hour, rank.rate.low, rank.rate.high),
                f"{times_words(rank)}{', more than its fellows' if rank.worse else ''}",
            )
            for rank in ranked
        )
        columns = tuple(column for column in RANKED if column.name != "Machines")
        front.append(Table(title="Controllers", columns=columns, rows=rows, headed=True))
    front.append(_capture_table(lines))
    headline = f"Dropouts: {rate_words(one.rate)}; "
    headline += f"believed, given its fellows, {believed(one)}: {times_words(one)}." if one.fellows else "not compared."
    left = f", {counted(machine.n_could_not, 'other')} could not be judged" if machine.n_could_not else ""
    return Page(
        title=f"{one.machine} ({kind.name})" if kind.name else one.machine,
        headline=headline,
        tone=Tone.TROUBLE if worse else Tone.GOOD if one.fellows else Tone.PLAIN,
        state="More often than its kind" if worse else "Like its kind" if one.fellows else "Not compared",
        facts=Facts(
            pairs=(
                ("Captures", f"{machine.n_captures:,}{left}"),
                ("Watched", hours_words(one.rate.hours)),
                ("To be expected", expected_words(machine)),
                ("Trend", trend_words(machine.trend, by_meter=kind.by_meter)),
            )
        ),
        sections=(cautions(),),
        front=tuple(front),
        made_by=made_by(written),
    )


def _capture_table(lines: Iterator[Listed]) -> Table:
    rows, links = [], []
    for line in lines:
        name = Path(line.capture.files[0].replace("://", "/")).name
        link = line.report or line.verdict
        links.append("" if link is None else f"../{quote(link)}")
        if line.body is None or line.outcome is not Outcome.JUDGED:
            rows.append((name, "", "", "", line.sentence or "not come to"))
            continue
        told = line.body["capture"]
        start = f"{wall_time(round(told['start_s'] * SECOND_NS)):%Y-%m-%d %H:%M}" if told["unix_clock"] else "no date"
        same = f"The same as number {line.same_as}; counts once. " if line.same_as is not None else ""
        rows.append((name, start, f"{told['watched_h']:.3g}", f"{told['dropouts']:,}", same + told["headline"]))
    shown = rows[:MOST_ROWS]
    return Table(
        title="Captures",
        columns=_CAPTURES,
        rows=tuple(shown),
        links=tuple(links[:MOST_ROWS]),
        more=len(rows) - len(shown),
        headed=True,
    )


def cautions() -> Section:
    """Give the section that every page ends with: what comes before hands do."""
    return Section(title="Cautions", anchor="cautions", blocks=(Items(items=tuple(USUAL_CAUTIONS), tone=Tone.CAUTION),))


def believed(one: Ranked) -> str:
    """Write what is believed of one, in 100 h."""
    return interval(one.believed, one.low, one.high)


def interval(value: float, low: float, high: float) -> str:
    """Write a rate an hour with its limits, in 100 h."""
    return f"{in_100_h(value)} ({in_100_h(low)} to {in_100_h(high)})"


def made_by(written: datetime) -> str:
    """Say what wrote a page, and when."""
    return f"busdoc {metadata.version('busdoc')}, written {written:%Y-%m-%d %H:%M}"
