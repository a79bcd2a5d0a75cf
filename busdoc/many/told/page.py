"""The page of a fleet, as blocks of the written record; beside it a page for each machine is written."""

import os
from collections.abc import Iterator, Sequence
from datetime import datetime
from importlib import metadata
from pathlib import Path
from urllib.parse import quote

from busdoc.many.conclusions.findings import Findings, KindFindings, MachineFindings
from busdoc.many.kept.store import FleetStore, plain_name
from busdoc.many.told.machine import MOST_ROWS, RANKED, believed, cautions, interval, machine_page, made_by
from busdoc.many.told.pictures import machines_picture, months_picture
from busdoc.many.told.words import (
    ASSUMPTIONS,
    METHOD,
    bunching_words,
    change_words,
    effect_words,
    expected_words,
    fleet_headline,
    fleet_state,
    kind_words,
    look_at,
    rate_words,
    summary_words,
    times_words,
    together_words,
    trend_words,
    typical_words,
    unchanged_words,
    worse_words,
)
from busdoc.report.output import write_text
from busdoc.report.record.html import html_of_page
from busdoc.report.record.page import Align, Block, Column, Facts, Items, Page, Section, Table, Text, Tone
from busdoc.words.counting import counted

__all__ = ["fleet_page", "write_pages"]

_INSPECT = (
    Column(name="Machine"),
    Column(name="Kind"),
    Column(name="Why", weight=2.0),
    Column(name="Look at first", weight=1.6),
    Column(name="To be expected", weight=1.0),
)
_MACHINES = (
    Column(name="Machine", weight=1.3),
    Column(name="Captures", align=Align.RIGHT, weight=0.6),
    Column(name="Hours", align=Align.RIGHT, weight=0.6),
    Column(name="Dropouts", align=Align.RIGHT, weight=0.6),
    Column(name="In 100 h, as believed", align=Align.RIGHT, weight=1.3),
    Column(name="Among its fellows", weight=1.3),
    Column(name="Look at first", weight=1.8),
)
_BELIEVED, _AMONG = 4, 5
"""Places of two of them."""
_IN_100_H = Column(name="In 100 h", align=Align.RIGHT, weight=1.3)
_PROBLEMS = (Column(name="Machine"), Column(name="Why", weight=3.0))


def write_pages(store: FleetStore, found: Findings, *, command: str, written: datetime | None = None) -> Path:
    """Write `fleet.html`, and a page for each machine with a line for each of its captures; give the first.

    Raises
    ------
    InputError : the folder cannot be written
    """
    moment = datetime.now().astimezone() if written is None else written
    for kind in found.kinds:
        for machine in kind.machines:
            name = machine.ranked.machine
            page = machine_page(kind, machine, store.lines(name), moment)
            write_text(store.folder / _machine_file(name), html_of_page(page))
    path = store.folder / "fleet.html"
    write_text(path, html_of_page(fleet_page(found, command, moment)))
    return path


def fleet_page(found: Findings, command: str, written: datetime) -> Page:
    """Put the page of the whole fleet together."""
    trouble = bool(found.inspect) or any(one.worse for kind in found.kinds for one in (*kind.parts, *kind.controllers))
    sections = [section for kind in found.kinds for section in _kind_sections(kind, found.changed)]
    if found.problems:
        rows = tuple((one.machine, one.sentence) for one in found.problems)
        table = Table(title="Captures that count for nothing", columns=_PROBLEMS, rows=rows)
        sections.append(Section(title="Counts for nothing", anchor="problems", blocks=(table,)))
    sections += [_method(found), cautions(), _repeat(command)]
    return Page(
        title="Fleet",
        headline=fleet_headline(found),
        tone=Tone.TROUBLE if trouble else Tone.GOOD if found.n_compared else Tone.PLAIN,
        state=fleet_state(found),
        facts=Facts(pairs=tuple(_facts(found))),
        sections=tuple(sections),
        front=tuple(_front(found)),
        made_by=made_by(written),
    )


def _facts(found: Findings) -> Iterator[tuple[str, str]]:
    yield "Gone through", summary_words(found)
    if found.n_ranked:
        yield "Ranked", f"{counted(found.n_ranked, 'machine, controller or part', 'machines, controllers and parts')}"
    if found.changed:
        yield "Changed on", found.changed


def _front(found: Findings) -> Iterator[Block]:
    if found.inspect:
        rows = tuple(
            (machine.ranked.machine, kind.name, worse_words(machine), look_at(machine), expected_words(machine))
            for kind, machine in found.inspect[:MOST_ROWS]
        )
        links = tuple(_link(machine) for _, machine in found.inspect[:MOST_ROWS])
        yield Table(title="Inspect next", columns=_INSPECT, rows=rows, links=links, headed=True)
    for kind in found.counted:
        trend = f" {trend_words(kind.trend, by_meter=kind.by_meter)}" if kind.name else ""
        n = counted(len(kind.machines), "machine")
        yield Text(text=f"{kind_words(kind)}, {n}. {typical_words(kind)}{trend}")
        for told in (change_words(kind.change, found.changed), unchanged_words(kind.unchanged)):
            if told is not None:
                yield Text(text=told)
        picture = machines_picture(kind) if kind.name else _machine_table(kind, headed=True)
        if picture is not None:
            yield picture


def _kind_sections(kind: KindFindings, changed: str) -> Iterator[Section]:
    name, mark = kind_words(kind), plain_name(kind.name or "no-kind").lower()
    if kind.name:
        yield Section(title=f"Machines: {name}", anchor=f"machines-{mark}", blocks=(_machine_table(kind),))
    ranked = [one for one in (*kind.controllers, *kind.parts) if one.rate.n]
    if ranked:
        rows = tuple(
            (
                f"{one.name} ({one.what})",
                f"{one.rate.n:,}",
                interval(one.rate.per_hour, one.rate.low, one.rate.high),
                f"{one.machines:,}",
                f"{times_words(one)}{', more than its fellows' if one.worse else ''}",
            )
            for one in ranked[:MOST_ROWS]
        )
        blocks: list[Block] = [Table(title="Controllers and parts", columns=RANKED, rows=rows)]
        kinds = [
            f"{what}: {rate_words(rate)} each, {n_each} on a machine"
            for what, n_each, rate in kind.part_kinds
            if rate.n
        ]
        blocks += [Text(text="By kind of part"), Items(items=tuple(kinds))] if kinds else []
        yield Section(title=f"Controllers and parts: {name}", anchor=f"parts-{mark}", blocks=tuple(blocks))
    in_time = tuple(_time(kind, changed))
    if in_time:
        yield Section(title=f"In time, and together: {name}", anchor=f"time-{mark}", blocks=in_time)


def _time(kind: KindFindings, changed: str) -> Iterator[Block]:
    if kind.name:
        yield Text(text=trend_words(kind.trend, by_meter=kind.by_meter))
    for told in (change_words(kind.change, changed), unchanged_words(kind.unchanged)):
        if told is not None:
            yield Text(text=told)
    picture = months_picture(kind)
    if picture is not None:
        yield picture
    bunches = bunching_words(kind)
    if bunches is not None:
        yield Text(text=bunches)
    if kind.effects is not None and kind.effects.effects:
        yield Text(text="What goes with what the manifest says (Poisson regression)")
        yield Items(items=tuple(effect_words(one) for one in kind.effects.effects))
    if kind.effects is not None and kind.effects.left_out:
        yield Text(text=f"Left out: {'; '.join(kind.effects.left_out)}.", tone=Tone.QUIET)
    pairs = tuple(together_words(kind))
    if pairs:
        yield Text(text="Who falls in the same moment, more often than by chance")
        yield Items(items=pairs)


def _machine_table(kind: KindFindings, *, headed: bool = False) -> Table:
    """List the machines of a kind; those of no known kind with nothing that speaks of fellows."""
    shown = kind.machines[:MOST_ROWS]
    rows: tuple[tuple[str, ...], ...] = tuple(
        (
            machine.ranked.machine,
            f"{machine.n_captures:,}",
            f"{machine.ranked.rate.hours:,.4g}",
            f"{machine.ranked.rate.n:,}",
            believed(machine.ranked),
            f"{times_words(machine.ranked)}{', more than its fellows' if machine.ranked.worse else ''}",
            look_at(machine) if machine.ranked.rate.n else "",
        )
        for machine in shown
    )
    links = tuple(_link(machine) for machine in shown)
    more = len(kind.machines) - len(shown)
    columns: tuple[Column, ...] = _MACHINES
    if not kind.name:
        columns = tuple(_IN_100_H if k == _BELIEVED else one for k, one in enumerate(_MACHINES) if k != _AMONG)
        rows = tuple(tuple(cell for k, cell in enumerate(row) if k != _AMONG) for row in rows)
    title = f"Machines: {kind_words(kind)}"
    return Table(title=title, columns=columns, rows=rows, links=links, more=more, headed=headed)


def _method(found: Findings) -> Section:
    blocks: Sequence[Block] = (
        *(Text(text=text) for text in METHOD),
        Text(text="It assumes:"),
        Items(items=ASSUMPTIONS),
    )
    return Section(title="How it was found", anchor="method", blocks=tuple(blocks))


def _repeat(command: str) -> Section:
    pairs = (("Command", command), ("Folder", os.getcwd()), ("busdoc", metadata.version("busdoc")))
    return Section(title="How to repeat it", anchor="repeat", blocks=(Facts(pairs=pairs),))


def _link(machine: MachineFindings) -> str:
    return quote(_machine_file(machine.ranked.machine))


def _machine_file(name: str) -> str:
    return f"machines/{plain_name(name)}.html"
