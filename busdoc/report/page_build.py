"""Puts the written record together: the verdict first, then the evidence, then how to repeat it."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

from busdoc.report.headline import headline
from busdoc.report.page import Facts, Page, Section, Tone
from busdoc.report.page_data import codes_section, data_section, repeat_section, wire_section
from busdoc.report.page_incidents import actions_section, incidents_section
from busdoc.report.page_intermittent import intermittent_section
from busdoc.report.page_isolation import isolation_sections
from busdoc.report.page_method import cautions_section, method_section
from busdoc.report.page_presence import presence_section
from busdoc.report.page_resync import resync_section
from busdoc.report.provenance import Provenance
from busdoc.report.result import Result
from busdoc.report.times import duration

__all__ = ["build_page"]

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
    name = result.machine.name
    return Page(
        title=f"Controller health of {name}" if name else "Controller health",
        headline=headline(result),
        tone=Tone.TROUBLE if result.trouble else Tone.GOOD,
        state="Trouble found" if result.trouble else "No trouble found",
        facts=Facts(pairs=tuple(_facts(result, fields))),
        sections=tuple(_sections(result, made)),
        made_by=f"busdoc {dict(made.versions)['busdoc']}, written {written:%Y-%m-%d %H:%M} {_zone(written)}",
    )


def _sections(result: Result, made: Provenance) -> Iterator[Section]:
    candidates = (
        presence_section(result),
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
        start = datetime.fromtimestamp(health.start_ns // 10**9, UTC)
        yield (
            "Recorded",
            f"{start:%Y-%m-%d}, from {start:%H:%M:%S} UTC, for {duration(health.until_ns - health.start_ns)}",
        )
    else:
        length = duration(health.until_ns - health.start_ns)
        yield "Recorded", f"for {length}; the capture has no date, times count from its own zero"
    errors = f", {health.error_frames:,} of them error frames" if health.error_frames else ""
    yield "Traffic", f"{health.frames:,} frames{errors}, in {_counted(len(facts.files), 'file')}"


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _label(key: str) -> str:
    words = key.replace("_", " ").strip()
    return _LABELS.get(key.lower(), words[:1].upper() + words[1:])


def _value(value: str | int | float | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _zone(moment: datetime) -> str:
    offset = moment.strftime("%z")
    return "UTC" if offset in ("", "+0000") else f"UTC{offset[:3]}:{offset[3:5]}"
