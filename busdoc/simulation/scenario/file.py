"""Reads scenarios from TOML, every mistake named with its line.

::

    [scenario]
    name = "…"                 # seed, machine = "machine.toml", database = "….dbc", start = 2026-03-02T07:00:00Z,
                               # powered, cycle_off_s, background_rate_hz, background_errors_hz
    [press]                    # lag_s, most_lag_s, miss, wrong, twice, clock_offset_s, uncertainty_s
    [[unit]]                   # controller, boot_s, off_s, drift_ppm, can_name, dm1 = "none|active|always", emcy,
                               # heartbeat_s, waits_for, misses = [controllers]
    [[stream]]                 # controller, message = "…" or frame = "0x…", period_s, beat, jitter_s, length, delay_s,
                               # counter = [byte, first bit, bits], signals = { Name = 1.0 or { … } }
    [[fault]]                  # part, rate_hz (left out: hard), latches, held, holds_s, holds_spread, effect, delay_s,
                               # from_s, clears_s, at_power_up, spn, fmi, emcy, lead_s, errors, sag_v
    [[step]]                   # do, part, into, seconds, controller, branches = [parts], dwell_s, times
    [[event]]                  # do = "restart|show|lead-out|lead-in|key-off|key-on", at_s, every_s, times,
                               # controller, part

A signal's value is a number or a table: ``value``, ``sine = [low, high, period_s]``, ``points = [[s, value], …]``,
``condition = { running, starting, fault, retry }``, ``retries = true``, ``counter = true``; and ``noise``,
``sensor = "part"``, ``sags = true``.
"""

import math
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

from busdoc.actions.action import ActionKind
from busdoc.errors import InputError, guarded, nearest
from busdoc.files.given import read_given
from busdoc.machine.machine import Machine
from busdoc.simulation.database import MessageLayout, read_layouts
from busdoc.simulation.recording import FaultSign
from busdoc.simulation.scenario.scenario import (
    Scenario,
    ScenarioEvent,
    ScenarioStep,
    ScenarioStream,
    ScenarioUnit,
    SignalShape,
)
from busdoc.simulation.scenario.table import Lines, Table
from busdoc.simulation.stream import Beat
from busdoc.simulation.technician import Habits
from busdoc.simulation.world import Effect, Fault
from busdoc.times import SECOND_NS

__all__ = ["load_scenario"]

_LARGEST_BYTES = 1_000_000
_TABLES = ("scenario", "press", "unit", "stream", "fault", "step", "event")
_EVENTS = ("restart", "show", "lead-out", "lead-in", "key-off", "key-on")
_MOST_EVENTS = 10_000
_PROCEDURES = ("watch", "watch-until-lost", "restore-one-at-a-time", "half-split", "fiddle")
_MOST_FRAMES = 20_000_000
_MOST_SHOWINGS = 50_000
_LONGEST_S = 7 * 24 * 3600.0


def load_scenario(path: Path, *, to_practise: bool = False) -> Scenario:
    """Read a scenario with its machine map and database.

    Parameters
    ----------
    to_practise : a person does the steps; those of the file, if it has any, are left alone

    Raises
    ------
    InputError : when a file is missing or something in it cannot be used
    """
    text = _read(path)
    with guarded(str(path), "a scenario file", "Correct what it names."):
        return _scenario(path, text, to_practise=to_practise)


def _scenario(path: Path, text: str, *, to_practise: bool) -> Scenario:
    """Make the scenario that a text describes."""
    from busdoc.machine.machine_map import load_machine

    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(path.name, "a TOML file", str(error), "Correct the line that it names.") from error
    except RecursionError as error:
        raise InputError(path.name, "a TOML file", "tables nested too deep", "Flatten it.") from error
    except ValueError as error:  # what int() raises on thousands of digits
        found = str(error).partition(";")[0]
        raise InputError(path.name, "a TOML file", f"this: {found}", "Write a smaller number.") from error
    lines = Lines(text)
    for key in values:
        if key not in _TABLES:
            where = f"{path.name}, line {lines.of(key, 0) or 1}"
            raise InputError(where, "a table of a scenario", f"[{key}]", nearest(key, _TABLES))
    head = Table(path.name, lines, "scenario", 0, _one(path, lines, values, "scenario"))
    machine_file = head.text("machine", "machine.toml")
    machine_path = path.parent / machine_file
    if not machine_path.is_file():
        head_line = head.where("machine")
        raise InputError(head_line, "the machine map's file", f"no {machine_file!r} beside it", "Put it there.")
    machine = load_machine(machine_path)
    database_file = head.maybe_text("database")
    layouts = _layouts(head, path, database_file)
    tables = {name: _many(path, lines, values, name) for name in ("unit", "stream", "fault", "step", "event")}
    faults = [_fault(table, machine) for table in tables["fault"]]
    scenario = Scenario(
        name=head.text("name"),
        seed=head.whole("seed", 1),
        machine=machine,
        start_ns=_start(head),
        powered=head.yes("powered", True),
        background_rate_hz=head.number("background_rate_hz", 0.0, high=10.0),
        background_errors_hz=head.number("background_errors_hz", 0.0, high=100.0),
        cycle_off_s=head.number("cycle_off_s", 5.0, low=0.01, high=3600.0),
        layouts=layouts,
        units=tuple(_unit(table, machine) for table in tables["unit"]),
        streams=tuple(_stream(table, machine, layouts) for table in tables["stream"]),
        faults=tuple(fault for fault, _ in faults),
        signs={fault.part: sign for fault, sign in faults},
        steps=tuple(_step(table, machine) for table in tables["step"]),
        events=tuple(_event(table, machine) for table in tables["event"]),
        habits=_habits(Table(path.name, lines, "press", 0, _one(path, lines, values, "press"))),
        machine_file=machine_file,
        database_file=database_file,
        folder=str(path.parent),
    )
    head.close()
    if not to_practise:
        _check(path, scenario)
    return scenario


def _read(path: Path) -> str:
    raw = read_given(path, "a scenario file", most_bytes=_LARGEST_BYTES, advice="Is it the right file?")
    try:
        return raw.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise InputError(str(path), "UTF-8 text", f"byte {error.start} that is not", "Save it as UTF-8.") from error


def _one(path: Path, lines: Lines, values: Mapping[str, object], name: str) -> Mapping[str, object]:
    value = values.get(name, {})
    if not isinstance(value, dict):
        raise InputError(
            f"{path.name}, line {lines.of('', 0, name) or 1}", f"[{name}]", "something else", "Write a table."
        )
    return value


def _many(path: Path, lines: Lines, values: Mapping[str, object], name: str) -> list[Table]:
    value = values.get(name, [])
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        where = f"{path.name}, line {lines.of(name, 0) or 1}"
        raise InputError(where, f"[[{name}]] tables", f"[{name}]", "Write it with two brackets.")
    return [Table(path.name, lines, name, index, item) for index, item in enumerate(value)]


def _layouts(head: Table, path: Path, database_file: str | None) -> dict[str, MessageLayout]:
    if database_file is None:
        return {}
    database = path.parent / database_file
    if not database.is_file() or database.suffix.lower() != ".dbc":
        head.fail("database", "a .dbc file beside the scenario", "Put it there, or leave the key out.")
    return read_layouts(database.read_text(encoding="cp1252"))  # the usual encoding of .dbc files


def _start(head: Table) -> int:
    value = head.raw("start")
    if value is None:
        return 0
    if not isinstance(value, datetime):
        head.fail("start", "start as a date and time", "Write for example start = 2026-03-02T07:00:00Z.")
    at = value if value.tzinfo is not None else value.replace(tzinfo=UTC)
    since = at - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * SECOND_NS + since.microseconds * 1000


def _habits(table: Table) -> Habits:
    habits = Habits(
        lag_s=table.number("lag_s", 0.5, high=60.0),
        most_lag_s=table.number("most_lag_s", 2.0, high=60.0),
        miss=table.number("miss", 0.0, high=1.0),
        wrong=table.number("wrong", 0.0, high=1.0),
        twice=table.number("twice", 0.0, high=1.0),
        clock_offset_s=table.number("clock_offset_s", 0.0, low=-86_400.0, high=86_400.0),
        uncertainty_s=table.number("uncertainty_s", 1.0, high=3600.0),
    )
    table.close()
    return habits


def _unit(table: Table, machine: Machine) -> ScenarioUnit:
    names = tuple(machine.controllers)
    can_name = table.maybe_text("can_name")
    unit = ScenarioUnit(
        controller=table.text("controller", allowed=names),
        boot_s=table.number("boot_s", 3.0, high=600.0),
        off_s=table.number("off_s", 0.1, high=60.0),
        drift_ppm=table.maybe_number("drift_ppm", low=-1000.0, high=1000.0),
        can_name=_hexadecimal(table, "can_name", can_name, 64) if can_name is not None else None,
        dm1=table.text("dm1", "none", allowed=("none", "active", "always")),
        emcy=table.yes("emcy", False),
        heartbeat_s=table.maybe_number("heartbeat_s", low=0.001, high=600.0),
        waits_for=table.maybe_text("waits_for", allowed=names),
        misses=table.texts("misses", allowed=names),
    )
    table.close()
    return unit


def _hexadecimal(table: Table, key: str, text: str, n_bits: int) -> int:
    try:
        number = int(text, 16)
    except ValueError:
        number = -1
    if not 0 <= number < 1 << n_bits:
        table.fail(key, f"{key} as a hexadecimal number of {n_bits} bits", 'Write for example "0x18FF3131".')
    return number


def _stream(table: Table, machine: Machine, layouts: Mapping[str, MessageLayout]) -> ScenarioStream:
    message = table.maybe_text("message", allowed=tuple(layouts) or ("",))
    frame = table.maybe_text("frame")
    if (message is None) == (frame is None):
        table.fail("message", "either a message of the database or a frame", "Name exactly one of the two.")
    layout = layouts[message] if message is not None else None
    period_s = table.maybe_number("period_s", low=0.001, high=3600.0)
    if period_s is None and (layout is None or layout.cycle_s is None):
        table.fail("period_s", "period_s, since the database gives no cycle time", "Write for example period_s = 0.1.")
    signals = table.raw("signals")
    stream = ScenarioStream(
        controller=table.text("controller", allowed=tuple(machine.controllers)),
        message=message,
        id=_hexadecimal(table, "frame", frame, 29) if frame is not None else None,
        extended=frame is not None and len(frame.removeprefix("0x")) > 3,
        period_s=period_s,
        beat=Beat(table.text("beat", "cyclic", allowed=tuple(Beat))),
        jitter_s=table.number("jitter_s", 0.0005, high=10.0),
        length=table.whole("length", 8, high=8),
        delay_s=table.maybe_number("delay_s", high=600.0),
        counter=_counter(table),
        signals=_signals(table, signals, layout, machine),
    )
    table.close()
    return stream


def _counter(table: Table) -> tuple[int, int, int] | None:
    if not table.has("counter"):
        return None
    byte, first_bit, n_bits = (int(number) for number in table.numbers("counter", 3))
    if not (0 <= byte < 8 and first_bit >= 0 and n_bits >= 1 and first_bit + n_bits <= 8):
        table.fail("counter", "counter = [byte, first bit, bits] within one byte", "Write for example [0, 0, 4].")
    return byte, first_bit, n_bits


def _signals(table: Table, values: object, layout: MessageLayout | None, machine: Machine) -> dict[str, SignalShape]:
    if values is None:
        return {}
    if layout is None or not isinstance(values, dict):
        table.fail("signals", "signals as a table, of a stream that has a message", "See the guide to scenarios.")
    shapes: dict[str, SignalShape] = {}
    for name, value in values.items():
        if name not in layout.signals:
            expected = f"a signal of {layout.name}"
            raise InputError(table.where("signals"), expected, f'"{name}"', nearest(name, layout.signals))
        shapes[name] = _signal(table, name, value, machine)
    return shapes


def _signal(table: Table, name: str, value: object, machine: Machine) -> SignalShape:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return SignalShape(value=float(value))

    def refuse(expected: str) -> NoReturn:
        raise InputError(table.where("signals"), expected, repr(value), "See the guide to scenarios.")

    if not isinstance(value, dict):
        refuse(f"{name} as a number or a table")
    inner = Table(table.where("signals"), Lines(""), name, 0, value)
    points = inner.raw("points")
    if points is not None and not (
        isinstance(points, list)
        and points
        and all(isinstance(p, list) and len(p) == 2 and all(isinstance(v, int | float) for v in p) for p in points)
    ):
        refuse("points as [[s, value], …]")
    words = inner.raw("condition")
    if words is not None and not (
        isinstance(words, dict)
        and set(words) <= {"running", "starting", "fault", "retry"}
        and all(isinstance(v, int | float) for v in words.values())
    ):
        refuse("condition as numbers for running, starting, fault, retry")
    swing = inner.numbers("sine", 3) if inner.has("sine") else None
    inner.raw("sine")
    if swing is not None and swing[2] <= 0.0:
        refuse("sine = [low, high, period_s] with a period above zero")
    shape = SignalShape(
        value=inner.maybe_number("value", low=-1e9),
        sine=(swing[0], swing[1], swing[2]) if swing is not None else None,
        points=tuple((float(p[0]), float(p[1])) for p in points) if isinstance(points, list) else (),
        condition={k: float(v) for k, v in words.items()} if isinstance(words, dict) else {},
        retries=inner.yes("retries", False),
        counter=inner.yes("counter", False),
        noise=inner.number("noise", 0.0),
        sensor=inner.maybe_text("sensor", allowed=tuple(machine.parts)),
        sags=inner.yes("sags", False),
    )
    inner.close()
    return shape


def _fault(table: Table, machine: Machine) -> tuple[Fault, FaultSign]:
    effect = table.maybe_text("effect", allowed=tuple(Effect))
    rate_hz = table.maybe_number("rate_hz", low=1e-9, high=100.0)
    fault = Fault(
        part=table.text("part", allowed=(*machine.parts, *machine.controllers)),
        rate_hz=math.inf if rate_hz is None else rate_hz,
        latches=table.yes("latches", False),
        held=table.yes("held", False),
        holds_s=table.number("holds_s", 5.0, low=0.001, high=86_400.0),
        holds_spread=table.number("holds_spread", 0.0, high=0.99),
        effect=None if effect is None else Effect(effect),
        delay_s=table.maybe_number("delay_s", low=0.001, high=3600.0),
        from_s=table.number("from_s", 0.0, high=_LONGEST_S),
        clears_s=table.number("clears_s", 0.5, low=0.001, high=3600.0),
        at_power_up=table.yes("at_power_up", False),
    )
    sign = FaultSign(
        spn=table.maybe_whole("spn", high=(1 << 19) - 1),
        fmi=table.maybe_whole("fmi", high=31),
        emcy=table.maybe_whole("emcy", low=1, high=0xFFFF),
        lead_s=table.number("lead_s", 0.6, high=60.0),
        errors=table.whole("errors", 0, high=10_000),
        sag_v=table.number("sag_v", 0.0, high=1000.0),
    )
    table.close()
    return fault, sign


def _step(table: Table, machine: Machine) -> ScenarioStep:
    known = (*machine.parts, *machine.controllers)
    into = table.maybe_text("into")
    if into is not None and into.partition(":")[0] not in known:
        table.fail("into", "into as the name of a part or controller", nearest(into.partition(":")[0], known))
    step = ScenarioStep(
        do=table.text("do", allowed=(*ActionKind, *_PROCEDURES)),
        part=table.maybe_text("part", allowed=known),
        into=into,
        seconds=table.number("seconds", 0.0, high=_LONGEST_S),
        controller=table.maybe_text("controller", allowed=tuple(machine.controllers)),
        branches=table.texts("branches", allowed=tuple(machine.parts)),
        dwell_s=table.number("dwell_s", 8.0, low=0.1, high=86_400.0),
        times=table.whole("times", 1, high=1000),
    )
    needs_part = step.do in (ActionKind.PLUG, ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.WIGGLE, ActionKind.REPLACE)
    if needs_part and step.part is None:
        table.fail("part", f"the part to {step.do}", 'Add part = "…".')
    if step.do == ActionKind.SWAP and (into is None or into not in machine):
        table.fail("into", "into as the part that it changes places with", 'Add into = "…".')
    if step.do in ("watch-until-lost", "restore-one-at-a-time", "half-split") and step.controller is None:
        table.fail("controller", "the controller to look at", 'Add controller = "…".')
    if step.do in ("restore-one-at-a-time", "half-split", "fiddle") and not step.branches:
        table.fail("branches", "the branches to work through", 'Add branches = ["…"].')
    table.close()
    return step


def _event(table: Table, machine: Machine) -> ScenarioEvent:
    event = ScenarioEvent(
        do=table.text("do", allowed=_EVENTS),
        at_s=table.number("at_s", 0.0, high=_LONGEST_S),
        every_s=table.number("every_s", 0.0, high=_LONGEST_S),
        times=table.whole("times", 1, low=1, high=_MOST_EVENTS),
        controller=table.maybe_text("controller", allowed=tuple(machine.controllers)),
        part=table.maybe_text("part", allowed=(*machine.parts, *machine.controllers)),
    )
    if event.do == "restart" and event.controller is None:
        table.fail("controller", "the controller to restart", 'Add controller = "…".')
    if event.do == "show" and event.part is None:
        table.fail("part", "the part whose fault is to show", 'Add part = "…".')
    table.close()
    return event


def _check(path: Path, scenario: Scenario) -> None:
    """Refuse what would never end, or fill memory and disk: a run is held whole."""
    if not scenario.steps:
        raise InputError(path.name, "at least one [[step]]", "none", 'Add [[step]] do = "watch", seconds = 60.')
    total_s = sum(step.seconds + 2.0 * step.dwell_s * step.times * (len(step.branches) + 1) for step in scenario.steps)
    if total_s > _LONGEST_S:
        raise InputError(path.name, "steps of a week at most", f"{total_s:.0f} s", "Shorten it.")
    periods_s = [stream.period_s or _cycle_s(stream, scenario) for stream in scenario.streams]
    n_frames = total_s * sum(1.0 / period_s for period_s in periods_s)
    if n_frames > _MOST_FRAMES:
        found = f"about {n_frames / 1e6:.0f} million"
        raise InputError(path.name, f"{_MOST_FRAMES // 1_000_000} million frames at most", found, "Shorten it.")
    n_showings = total_s * sum(
        min(fault.rate_hz, 1.0 / fault.holds_s) for fault in scenario.faults if not fault.latches
    ) + total_s * scenario.background_rate_hz * len(scenario.machine.controllers)
    if n_showings > _MOST_SHOWINGS:
        found = f"about {n_showings:.0f}"
        raise InputError(path.name, f"{_MOST_SHOWINGS} showings of faults at most", found, "Lower rates or time.")


def _cycle_s(stream: ScenarioStream, scenario: Scenario) -> float:
    layout = scenario.layouts[stream.message] if stream.message is not None else None
    return layout.cycle_s if layout is not None and layout.cycle_s else 1.0
