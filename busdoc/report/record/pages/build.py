"""Puts the written record together: the verdict first, then the evidence, then how to repeat it."""

from collections.abc import Iterator, Mapping
from datetime import datetime

from busdoc.analysis.result import Result
from busdoc.isolation.conclusion import State
from busdoc.report.record.page import Block, Facts, Items, Page, Section, Text, Tone
from busdoc.report.record.pages.complaint import complaint_section
from busdoc.report.record.pages.data import codes_section, data_section, repeat_section, wire_section
from busdoc.report.record.pages.incidents import actions_section, incidents_section
from busdoc.report.record.pages.intermittent import intermittent_section
from busdoc.report.record.pages.isolation import isolation_sections
from busdoc.report.record.pages.presence import presence_section
from busdoc.report.record.pages.resync import resync_section
from busdoc.report.record.pictures.presence import presence_picture
from busdoc.report.record.provenance import Provenance
from busdoc.report.words.brief import brief_of
from busdoc.report.words.conclusion import state_in_words
from busdoc.report.words.headline import headline
from busdoc.report.words.practice import PRACTICE_MARK, PRACTICE_SAID
from busdoc.times import wall_time, zone_words
from busdoc.words.counting import counted
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = ["build_page", "cautions_section", "method_section"]

_ROOM_FOR = ("technician", "serial", "hours", "order")
"""Always on the record; left empty they are lines to write on."""
_LABELS = {
    "serial": "Serial number",
    "hours": "Hours",
    "order": "Order number",
    "technician": "Technician",
}


def build_page(result: Result, made: Provenance, fields: Mapping[str, str], written: datetime) -> Page:
    """Put together the whole record.

    Parameters
    ----------
    made : the command, versions and hashes
    fields : the technician's fields; they go before those of the machine map
    written : when the record is written, with its zone
    """
    return Page(
        title=_title(result),
        headline=headline(result),
        tone=Tone.GOOD if result.conclusion.state in (State.HEALTHY, State.PROVED) else Tone.TROUBLE,
        state=capital(state_in_words(result.conclusion.state))
        if result.conclusion.state is not State.HEALTHY
        else "No trouble found",
        facts=Facts(pairs=tuple(_facts(result, fields))),
        sections=tuple(_sections(result, made)),
        front=tuple(_front(result)),
        made_by=f"busdoc {dict(made.versions)['busdoc']}, written {written:%Y-%m-%d %H:%M} {_zone(written)}",
    )


def _front(result: Result) -> Iterator[Block]:
    """Give what the desk decides by: why, what was done, what comes next, and the picture."""
    brief = brief_of(result)
    if brief.warning:
        yield Items(items=(brief.warning,), tone=Tone.TROUBLE)
    if brief.why:
        yield Text(text="Why")
        yield Items(items=brief.why)
    for title, text in (("Done", brief.done), ("Next", brief.next_step)):
        if text:
            yield Text(text=f"{title}: {text}")
    if brief.cautions:
        yield Items(items=brief.cautions, tone=Tone.CAUTION)
    picture = presence_picture(result)
    if picture is not None:
        yield picture


def _sections(result: Result, made: Provenance) -> Iterator[Section]:
    candidates = (
        presence_section(result),
        complaint_section(result),
        intermittent_section(result),
        incidents_section(result),
        actions_section(result),
        *isolation_sections(result),
        resync_section(result),
        codes_section(result),
        wire_section(result),
        data_section(result),
        method_section(),
        cautions_section(result),
        repeat_section(result, made),
    )
    yield from (section for section in candidates if section is not None)


def _facts(result: Result, fields: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    if result.machine.name:
        yield "Machine", result.machine.name
    given: dict[str, str] = dict.fromkeys(_ROOM_FOR, "")
    given |= {key: _value(value) for key, value in result.machine.report.items()}
    given |= {key: str(value) for key, value in fields.items()}
    for key, value in given.items():
        yield _label(key), value
    health, facts = result.health, result.capture
    if facts.epoch:
        start, zone = wall_time(health.start_ns), zone_words(health.start_ns)
        yield (
            "Recorded",
            f"{start:%Y-%m-%d}, from {start:%H:%M:%S} {zone}, for {duration(health.until_ns - health.start_ns)}",
        )
    else:
        length = duration(health.until_ns - health.start_ns)
        yield "Recorded", f"for {length}; the capture has no date, times count from its own zero"
    errors = counted(health.error_frames, "of them an error frame", "of them error frames")
    frames = f"{counted(health.frames, 'frame')}{f', {errors}' if health.error_frames else ''}"
    yield "Traffic", f"{frames}, in {counted(len(facts.files), 'file')}"


def _label(key: str) -> str:
    words = key.replace("_", " ").strip()
    return _LABELS.get(key.lower(), capital(words))


def _value(value: str | int | float | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _zone(moment: datetime) -> str:
    offset = moment.strftime("%z")
    return "UTC" if offset in ("", "+0000") else f"UTC{offset[:3]}:{offset[3:5]}"


_METHOD = (
    "Who should be there comes from the machine map, else from the database, else from what the open protocols say "
    "(address claims, heartbeats), else from the identifiers that the capture shows.",
    "A controller counts as lost when all its cyclic streams have been silent for longer than they ever should: each "
    "stream's limit is set from its own rhythm. The loss lies between the last frame heard and the first one missed.",
    "A controller that kept running resumes in phase and with its counters in step; one that restarted announces "
    "itself, begins its counters anew, and comes back at a random phase. The evidence is combined into a probability. "
    "Kept running points to the bus wiring or the recorder's own lead, restarted to supply or to a reset.",
    "Which action an incident answers to is weighed over all recorded actions and 'none of them': by the time between "
    "the two, both of which are written down with error, and by what the action can do at all on this machine. An "
    "incident that the action alone explains (its power or its plug was taken away) is called expected.",
    "Which part it is: each trial says which parts hung on the controller and whether trouble showed, and when. Sets "
    "of up to three faulty parts are weighed against all trials, over fault rates from 'at once' to 'once an hour'. A "
    "part is cleared only when the waiting time with it plugged in has earned it.",
)
_ASSUMPTIONS = (
    "Trouble shows at a steady rate while the faulty part is connected; a fault that needs heat, vibration or load "
    "shows only while they are there, and quiet waiting without them clears nothing.",
    "The map is right about what hangs on what. If it is not, the suspect is 'elsewhere' at best and a wrong part at "
    "worst.",
    "The times in the journal are right within the error given there.",
    "The prior odds of parts are those of the map, else those usual for their kind.",
    "busdoc listened only. It says nothing about what cannot be seen on the bus.",
)


def method_section() -> Section:
    """Say in half a page how the result was found, and what that assumes."""
    blocks: tuple[Block, ...] = (
        *(Text(text=text) for text in _METHOD),
        Text(text="It assumes:"),
        Items(items=_ASSUMPTIONS),
    )
    return Section(title="How it was found", anchor="method", blocks=blocks)


def _title(result: Result) -> str:
    name = result.machine.name
    title = f"Controller health of {name}" if name else "Controller health"
    return f"{PRACTICE_MARK}: {title}. {PRACTICE_SAID}" if result.capture.practice else title


def cautions_section(result: Result) -> Section:
    """Give the machine's own cautions and the usual ones."""
    return Section(title="Cautions", anchor="cautions", blocks=(Items(items=result.cautions(), tone=Tone.CAUTION),))
