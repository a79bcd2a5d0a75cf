"""Reads a machine map: a TOML text into the records of `busdoc.machine.machine`.

Every mistake is named with its line, what should have stood there, and the nearest right name; nothing is passed over
in silence, since a misspelt key would quietly change the verdict.
"""

import re
import tomllib
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from busdoc.capture.channels import ChannelTable
from busdoc.errors import InputError, guarded
from busdoc.files.given import read_given
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part
from busdoc.machine.map_check import check_links
from busdoc.machine.map_entry import (
    frames_of,
    read_bus,
    read_code,
    read_controller,
    read_part,
    read_report,
    read_status,
    read_symptom,
    read_wake,
)
from busdoc.machine.map_problems import MapProblems
from busdoc.machine.map_table import MapTable

__all__ = ["bitrates", "load_machine", "machine_from_text", "specs"]

_LARGEST_BYTES = 500_000
"""The largest map has some tens of kilobytes; a parser turns each byte of a hostile one into hundreds."""
_MOST_THINGS = 2000
"""Parts and controllers; the largest machine has some hundreds."""
_MANY_DOTS = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]+[ \t]*\.[ \t]*){12,}")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")


def load_machine(path: Path) -> Machine:
    """Read a machine map from its file.

    Raises
    ------
    InputError : when the file cannot be read, or holds any mistake
    """
    wanted = "a machine map"
    raw = read_given(path, wanted, most_bytes=_LARGEST_BYTES, advice="Check that this is the map and not a capture.")
    with guarded(str(path), wanted, "Check that this is the map."):
        return machine_from_text(_decoded(raw, str(path)), str(path))


def machine_from_text(text: str, where: str) -> Machine:
    """Read a machine map from its text.

    Parameters
    ----------
    text : TOML
    where : what to call the text in a message

    Raises
    ------
    InputError : when the text holds any mistake; the first few are named
    """
    _require_size(len(text), where)
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")  # both come from text editors
    document = _parsed(text, where)
    problems = MapProblems(text, where)
    root = MapTable(document, (), problems)
    machine_table = root.table("machine")
    name = machine_table.text("name") or ""
    cautions = machine_table.texts("cautions")
    machine_table.texts("learnt_from")  # of `baseline`, which counts no recording twice
    unsteady = frames_of(machine_table, "unsteady")
    wake = read_wake(machine_table)
    machine_table.finish()
    buses = [(table, bus) for table in root.tables("bus") if (bus := read_bus(table)) is not None]
    part_tables = root.tables("part")
    controller_tables = root.tables("controller")
    if len(part_tables) + len(controller_tables) > _MOST_THINGS:
        found = f"{len(part_tables) + len(controller_tables)}"
        raise InputError(where, f"at most {_MOST_THINGS} parts and controllers", found, "Describe one machine a map.")
    parts = [(table, part) for table in part_tables if (part := read_part(table)) is not None]
    controllers = [(table, one) for table in controller_tables if (one := read_controller(table, unsteady)) is not None]
    statuses = [(table, status) for table in root.tables("status") if (status := read_status(table)) is not None]
    codes = [(table, code) for table in root.tables("code") if (code := read_code(table)) is not None]
    symptoms = [(table, symptom) for table in root.tables("symptom") if (symptom := read_symptom(table)) is not None]
    report = read_report(root.table("report"))
    root.finish()
    check_links(problems, buses, parts, controllers, statuses, codes, symptoms)
    problems.raise_any()
    return Machine(
        name=name,
        cautions=cautions,
        wake=wake,
        buses=tuple(bus for _, bus in buses),
        parts=MappingProxyType(_with_mutual_swaps({part.name: part for _, part in parts})),
        controllers=MappingProxyType(_with_mutual_swaps({one.name: one for _, one in controllers})),
        statuses=tuple(status for _, status in statuses),
        codes=tuple(code for _, code in codes),
        symptoms=tuple(one for _, one in symptoms),
        report=report,
    )


def specs(machine: Machine) -> tuple[ControllerSpec, ...]:
    """Give what the bus is known to carry, controller by controller, in the order of the map."""
    return tuple(controller.spec for controller in machine.controllers.values())


def bitrates(machine: Machine, channels: ChannelTable) -> dict[int, tuple[int | None, int | None]]:
    """Give the nominal and the data bit rate of each channel of a capture that the map describes, bit/s."""
    rates: dict[int, tuple[int | None, int | None]] = {}
    for bus in machine.buses:
        number = channels.find(bus.channel)
        if number is not None:
            rates[number] = (bus.bitrate, bus.data_bitrate)
    return rates


def _require_size(n_bytes: int, where: str) -> None:
    if n_bytes > _LARGEST_BYTES:
        found = f"more than {_LARGEST_BYTES // 1000} kB"
        raise InputError(where, "a machine map", found, "Check that this is the map and not a capture.")


def _decoded(raw: bytes, where: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(where, "a text in UTF-8", "one in UTF-16", "Save it as UTF-8 in the editor.")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{raw[error.start]:02X}"
        raise InputError(
            f"{where}, line {line}", "a text in UTF-8", found, "Save it as UTF-8 in the editor."
        ) from error


def _parsed(text: str, where: str) -> dict[str, object]:
    advice = "Mend this line; the rest is read after that."
    if deep := _MANY_DOTS.search(text):  # each dot makes a table: a few megabytes of them fill the memory
        line = text.count("\n", 0, deep.start()) + 1
        raise InputError(f"{where}, line {line}", "a key of a machine map", "dozens of keys joined by dots", advice)
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except RecursionError as error:
        raise InputError(where, "a machine map", "brackets nested hundreds deep", "Give the map itself.") from error
    except InvalidOperation as error:
        raise InputError(where, "numbers", "one that no computer can hold", "Write it in ordinary digits.") from error
    except ValueError as error:  # tomllib's own error is one; so is what int() raises on thousands of digits
        at = _AT_LINE.search(str(error))
        last = text.count("\n") + 1 if "end of document" in str(error) else None
        line_found = int(at.group(1)) if at else last
        found = _AT_LINE.sub("", str(error)).replace("(at end of document)", "").partition(";")[0].strip()
        place = where if line_found is None else f"{where}, line {line_found}"
        raise InputError(place, "valid TOML", f"this: {found[:1].lower()}{found[1:200]}", advice) from error


_T = TypeVar("_T", Part, Controller)


def _with_mutual_swaps(things: dict[str, _T]) -> dict[str, _T]:
    """Let like swap with like both ways, whichever of the two said so."""
    partners: dict[str, dict[str, None]] = {name: dict.fromkeys(thing.swaps_with) for name, thing in things.items()}
    for name, thing in things.items():
        for other in thing.swaps_with:
            partners[other][name] = None
    return {name: replace(thing, swaps_with=tuple(partners[name])) for name, thing in things.items()}
