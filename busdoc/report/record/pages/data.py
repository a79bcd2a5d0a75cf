"""The record's part on codes, the wire, the data itself, and how to repeat it all."""

from collections.abc import Iterator

from busdoc.analysis.overview import warnings_of
from busdoc.analysis.result import Result
from busdoc.health.summary import WireLoad
from busdoc.report.record.page import Align, Block, Column, Facts, Fold, Items, Section, Table, Text, Tone
from busdoc.report.record.pictures.load import load_columns, load_picture
from busdoc.report.record.provenance import Provenance
from busdoc.report.words.brief import brief_of
from busdoc.report.words.codes import code_state_in_words
from busdoc.report.words.inputs.databases import databases_in_words
from busdoc.report.words.wire import channel_in_words, errors_in_words, traffic_in_words
from busdoc.times import clock
from busdoc.words.counting import counted
from busdoc.words.duration import duration

__all__ = ["codes_section", "data_section", "repeat_section", "wire_section"]

_MOST_CODES = 200
_MOST_STATES = 100
_LOAD_ROWS = 24

_CODES = (
    Column(name="Controller", weight=1.1),
    Column(name="Code", code=True, weight=1.5),
    Column(name="Meaning", weight=2.4),
    Column(name="First", weight=1.4),
    Column(name="Raised", align=Align.RIGHT, weight=0.7),
    Column(name="At the end", weight=0.9),
    Column(name="Look at", weight=1.2),
)
_GAPS = (
    Column(name="From"),
    Column(name="For", align=Align.RIGHT, weight=0.7),
    Column(name="What"),
    Column(name="Channel", weight=0.7),
    Column(name="Why", weight=2.0),
)
_SKIPPED = (
    Column(name="File", weight=1.5),
    Column(name="Line", align=Align.RIGHT, weight=0.6),
    Column(name="Why it was left out", weight=2.5),
)
_FILES = (
    Column(name="What", weight=0.8),
    Column(name="File", weight=1.8),
    Column(name="Bytes", align=Align.RIGHT, weight=0.9),
    Column(name="SHA-256", code=True, weight=3.2),
)


def codes_section(result: Result) -> Section:
    """List every fault code that was broadcast."""
    if not result.codes:
        nothing = Text(text="No fault code was seen.", tone=Tone.QUIET)
        return Section(title="Fault codes", anchor="codes", blocks=(nothing,))
    start_ns, epoch = result.health.start_ns, result.capture.epoch
    rows = tuple(
        (
            code.controller,
            code.code,
            code.text,
            clock(code.first_ns, start_ns, epoch=epoch),
            f"{code.occurrences}x",
            code_state_in_words(code, result),
            ", ".join(code.points_at) or "–",
        )
        for code in result.codes[:_MOST_CODES]
    )
    table = Table(title="Fault codes", columns=_CODES, rows=rows, more=len(result.codes) - len(rows))
    return Section(title="Fault codes", anchor="codes", blocks=(table,))


def wire_section(result: Result) -> Section | None:
    """Show load and error frames over time, channel by channel; None without traffic."""
    blocks = [block for wire in result.health.wire for block in _wire(result, wire)]
    return Section(title="The wire", anchor="wire", blocks=tuple(blocks)) if blocks else None


def _wire(result: Result, wire: WireLoad) -> Iterator[Block]:
    name = channel_in_words(result.capture.channel_names, wire.channel)
    rate = "" if wire.bitrate is None else f" at {wire.bitrate / 1000:g} kbit/s"
    yield Text(text=f"{name}{rate}: {traffic_in_words(wire)}.")
    picture = load_picture(result, wire, name)
    if picture is not None:
        yield picture
        yield Fold(title=f"Traffic on {name} in numbers", blocks=(_load_table(result, wire),))
    start_ns, epoch = result.health.start_ns, result.capture.epoch
    errors = errors_in_words(wire, lambda t_ns: clock(t_ns, start_ns, epoch=epoch))
    if errors:
        yield Items(items=errors)
    if wire.error_states:
        states = tuple(f"{clock(t_ns, start_ns, epoch=epoch)}  {words}" for t_ns, words in wire.error_states)
        shown = states[:_MOST_STATES]
        more = (f"and {len(states) - len(shown)} more",) if len(states) > len(shown) else ()
        yield Fold(title=f"Error states on {name}", blocks=(Items(items=(*shown, *more)),))


def _load_table(result: Result, wire: WireLoad) -> Table:
    columns = load_columns(result, wire, _LOAD_ROWS)
    unit = "load" if columns.is_load else "frames/s"
    rows = tuple(
        (
            clock(int(from_ns) + result.health.start_ns, result.health.start_ns, epoch=result.capture.epoch),
            f"{100 * mean:.1f} %" if columns.is_load else f"{mean:,.0f}",
            f"{100 * peak:.1f} %" if columns.is_load else f"{peak:,.0f}",
            f"{errors:,}",
        )
        for from_ns, mean, peak, errors in zip(
            columns.from_ns.tolist(),
            columns.mean.tolist(),
            columns.peak.tolist(),
            columns.error_frames.tolist(),
            strict=True,
        )
    )
    names = (
        Column(name="From"),
        Column(name=f"Mean {unit}", align=Align.RIGHT),
        Column(name=f"Busiest second, {unit}", align=Align.RIGHT),
        Column(name="Error frames", align=Align.RIGHT),
    )
    return Table(title="Traffic over time", columns=names, rows=rows)


def data_section(result: Result) -> Section:
    """Say what was skipped, missing or uncertain in the data."""
    facts, health = result.capture, result.health
    blocks: list[Block] = []
    if facts.skipped_lines:
        lines = counted(facts.skipped_lines, "line")
        blocks.append(Text(text=f"{lines} of the captures could not be read; the rest was used."))
        rows = tuple((one.file, str(one.line), one.reason) for one in facts.skipped)
        if rows:
            blocks.append(Table(title="The first lines left out", columns=_SKIPPED, rows=rows, headed=True))
    if health.gaps:
        gaps = tuple(
            (
                clock(gap.from_ns, health.start_ns, epoch=facts.epoch),
                duration(gap.to_ns - gap.from_ns),
                "nothing recorded" if gap.kind == "capture-gap" else "bus silent",
                "every one" if gap.channel is None else channel_in_words(facts.channel_names, gap.channel),
                gap.why or "–",
            )
            for gap in health.gaps[:_MOST_CODES]
        )
        blocks.append(
            Table(
                title="Stretches without traffic",
                columns=_GAPS,
                rows=gaps,
                more=len(health.gaps) - len(gaps),
                headed=True,
            )
        )
    first = brief_of(result).warning  # stands on the first page
    warnings = [text for text in warnings_of(result) if text != first]
    if warnings:
        blocks.append(Items(items=tuple(warnings[:50]), tone=Tone.TROUBLE))
    if not blocks:
        blocks.append(Text(text="Everything was read; nothing was skipped or missing.", tone=Tone.GOOD))
    used = databases_in_words(result.database_uses)
    if used is not None:
        blocks.append(Text(text=used))
    return Section(title="The data: skipped, missing, uncertain", anchor="data", blocks=tuple(blocks))


def repeat_section(result: Result, made: Provenance) -> Section:
    """Give the exact command, the versions and the hashes of the files."""
    rows = tuple(
        (
            one.role,
            str(one.path),
            "–" if one.n_bytes is None else f"{one.n_bytes:,}",
            one.sha256 or "could not be read again",
        )
        for one in made.files
    )
    versions = ", ".join(f"{name} {version}" for name, version in made.versions)
    blocks: tuple[Block, ...] = (
        Facts(pairs=(("Command", made.command or "from Python"), ("Versions", versions))),
        Table(title="Files that went in", columns=_FILES, rows=rows, headed=True),
    )
    return Section(title="To repeat it", anchor="repeat", blocks=blocks)
