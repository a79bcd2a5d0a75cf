"""A baseline as the text of a machine map: a new one, or what an existing one lacks, added to it.

An existing text is not rewritten: what stands there stays, byte for byte, and lines are put in between. So comments,
order and edits are kept, and a number that a technician has set is never replaced by a learnt one. What an earlier call
had learnt of a controller's returns is learnt on: several calls add up.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busdoc.machine.toml_lines import TomlPath, lines_of
from busdoc.resync_check.baseline import Baseline, LearntBus, LearntController, LearntStream, LearntWake
from busdoc.resync_check.periods import MEASURED, SeenPeriod, seconds_text
from busdoc.resync_check.returns_so_far import RECORDINGS, RETURNS, UNSTEADY, learnt_before, learnt_on
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted

__all__ = ["MergedMap", "expected_by_hand", "map_text", "merge_into"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MergedMap:
    """The text after merging, and what was done."""

    text: str
    added: tuple[str, ...]
    """What was added, as sentences."""
    kept: tuple[str, ...]
    """What stands in the map and was learnt otherwise, as sentences."""


_LEARNT_ROW = re.compile(
    r'  \{ frame = "(0x[0-9A-F]+)", period_s = [0-9.]+(?:, jitter_s = [0-9.]+)?(?:, measured = \[[0-9., ]+\])? \},'
)
"""A row of `expects` as it is written here; any other was written by hand."""
_OF_RETURNS = ("back_usually_s", "back_within_s", RETURNS)

Line = tuple[str, str, str]
"""(key, value as TOML, comment)"""


def map_text(baseline: Baseline, *, name: str, channel_names: Mapping[int, str] | None = None) -> str:
    """Write a whole machine map.

    Parameters
    ----------
    name : of the machine
    channel_names : how the capture calls its channels
    """
    import tomlkit

    head = tomlkit.document()
    head.add(tomlkit.comment("Learnt by `busdoc baseline`; every line may be edited."))
    head.add(tomlkit.comment("Give the controllers the names that people use, and add feeds, harnesses and sensors."))
    head.add(tomlkit.nl())
    whole = [line for wake in baseline.wakes if wake.feed is None for line in _wake_lines(wake)]
    whole += _recordings_lines(baseline)
    blocks = [tomlkit.dumps(head) + _block("machine", [("name", _text(name), ""), *whole], many=False)]
    blocks += [_block("bus", [_channel(bus.channel), *_bus_lines(bus)]) for bus in baseline.buses]
    blocks += [_controller_block(one) for one in baseline.controllers]
    return "\n".join(blocks)


def merge_into(text: str, baseline: Baseline, channels: Mapping[int | str, int] | None = None) -> MergedMap:
    """Add what a map lacks.

    Parameters
    ----------
    text : a map that `busdoc.machine.machine_map` has read without a mistake
    baseline : learnt with that map, so that controllers bear its names, what it keeps of earlier calls included
    channels : number of each channel that the map names by name

    Returns
    -------
    MergedMap : every line of `text` is in its text, in the same order
    """
    end = "\r\n" if "\r\n" in text else "\n"
    body = text.removeprefix("\ufeff").replace("\r\n", "\n")
    document = tomllib.loads(body)
    places = _Places(body, document)
    added: list[str] = []
    kept: list[str] = []
    insertions: dict[int, list[str]] = {}
    replaced: dict[int, str] = {}
    appended: list[str] = []
    together = {one.name: one for one in baseline.controllers}
    for path, lines, block in _entries(baseline, document, channels or {}):
        if block:
            appended.append(block)
            added.append(_new(path, lines))
            continue
        table = _at(document, path)
        who = str(table.get("name", f"channel {table.get('channel')}" if path[0] == "bus" else "the machine"))
        missing = [line for line in lines if line[0] not in table]
        learnt_anew = {}
        if path[0] == "controller":
            learnt_anew = places.learnt_anew(path, lines, together.get(who))
        else:
            for key in (RECORDINGS, UNSTEADY):
                if key in table:
                    replaced.update(places.more_of(key, path, lines))
        replaced.update({row: text for row, (_, text) in learnt_anew.items()})
        anew = {key for key, _ in learnt_anew.values()}
        periods = places.periods_anew(path, together[who]) if path[0] == "controller" and who in together else {}
        replaced.update({row: text for row, (_, text) in periods.items()})
        if said := [text for text, _ in periods.values() if text]:
            added.append(f"{who}: {', '.join(said)}, by all recordings so far.")
        more = places.more_streams(path, together[who]) if path[0] == "controller" and who in together else None
        if more is not None:
            insertions.setdefault(more[0], []).extend(_expected(stream) for stream in more[1])
            added.append(f"{who}: expects {', '.join(str(stream.key) for stream in more[1])}.")
        if anew:
            added.append(f"{who}: learnt on, {counted(len(together[who].returns_ns), 'return')} in all.")
        kept += [_kept(who, line, table[line[0]]) for line in lines if _differs(line, table) and line[0] not in anew]
        if not missing:
            continue
        at = places.after_last_key(path)
        if at is None:
            kept.append(f"{who}: written on one line, so nothing was added to it.")
            continue
        insertions.setdefault(at, []).extend(_written(line) for line in missing)
        added.append(f"{who}: {', '.join(line[0] for line in missing)}.")
    merged = _woven(body, insertions, replaced)
    if appended:
        merged += ("" if merged.endswith("\n") or not merged else "\n") + "\n" + "\n".join(appended)
    if end != "\n":
        merged = merged.replace("\n", end)
    bom = "\ufeff" if text.startswith("\ufeff") else ""
    return MergedMap(text=bom + merged, added=tuple(added), kept=tuple(kept))


def _entries(
    baseline: Baseline, document: Mapping[str, Any], channels: Mapping[int | str, int]
) -> Iterable[tuple[TomlPath, list[Line], str]]:
    """Give what was learnt as (place, lines, block); a block is there when the map has no such table yet."""
    by_name = {table["name"]: index for index, table in enumerate(document.get("controller", []))}
    by_part = {table["name"]: index for index, table in enumerate(document.get("part", []))}
    by_channel = {}
    for index, table in enumerate(document.get("bus", [])):
        channel = table["channel"]
        by_channel[channels.get(channel, channel)] = index
    for wake in baseline.wakes:
        lines = _wake_lines(wake)
        if wake.feed in by_part:
            yield ("part", by_part[wake.feed]), lines, ""
        elif wake.feed is None:
            yield ("machine",), lines, "" if "machine" in document else _block("machine", lines, many=False)
    if (baseline.recordings or baseline.unsteady) and "machine" in document:
        yield ("machine",), _recordings_lines(baseline), ""
    for bus in baseline.buses:
        lines = [_channel(bus.channel), *_bus_lines(bus)]
        wanted = by_channel.get(bus.channel)
        if wanted is not None:
            yield ("bus", wanted), lines[1:], ""
        elif not by_channel:
            yield ("bus",), lines, _block("bus", lines)
    for one in baseline.controllers:
        lines = _controller_lines(one)
        wanted = by_name.get(one.name)
        if wanted is not None:
            yield ("controller", wanted), lines[1:], ""
        else:
            yield ("controller",), lines, _controller_block(one)


def _new(path: TomlPath, lines: list[Line]) -> str:
    """Say which table was added."""
    return "new [machine]." if path == ("machine",) else f"{lines[0][1]}: new [[{path[0]}]]."


def _at(document: Mapping[str, Any], path: TomlPath) -> Mapping[str, Any]:
    """Give the table that stands at a path."""
    here: Any = document
    for step in path:
        here = here[step]
    found: Mapping[str, Any] = here
    return found


class _Places:
    """Where the tables and keys of a text stand."""

    def __init__(self, text: str, document: Mapping[str, Any]) -> None:
        self._rows = text.split("\n")
        self._lines = lines_of(text)
        self._document = document

    def after_last_key(self, path: TomlPath) -> int | None:
        """Give the line (counted from 1) after which keys of a table may be added; None: it is written inline."""
        header = self._lines.get(path)
        if header is None or not self._rows[header - 1].lstrip().startswith("["):
            return None
        table = _at(self._document, path)
        best = header
        for key, value in table.items():
            line = self._lines.get((*path, key))
            if line is not None and line > best and self._is_whole(line, key, value):
                best = line
        return best

    def learnt_anew(
        self, path: TomlPath, lines: Sequence[Line], one: LearntController | None
    ) -> dict[int, tuple[str, str]]:
        """Give what stands for numbers that an earlier call had learnt, and that are others now.

        Returns
        -------
        (key, text) for each line of the map that is to be replaced, counted from 1
        """
        table = _at(self._document, path)
        unsteady = frozenset(self._document.get("machine", {}).get(UNSTEADY, []))
        before = None if one is None else learnt_before(one, table, unsteady)
        if before is None or one is None:
            return {}
        had = {key: value for key, value, _ in _return_lines(before)}
        if had == {key: value for key, value, _ in _return_lines(one)}:
            return {}
        found = {}
        for line in lines:
            number = self._lines.get((*path, line[0]))
            if number is None or line[0] not in _OF_RETURNS or not learnt_on(had, table, line[0]):
                continue
            if self._is_whole(number, line[0], table[line[0]]):
                found[number] = (line[0], _written(line))
        return found

    def more_of(self, key: str, path: TomlPath, lines: Sequence[Line]) -> dict[int, str]:
        """Give the line that names the recordings, or the frames not to expect, so far, where it stands on one."""
        number = self._lines.get((*path, key))
        there = _at(self._document, path).get(key)
        named = [line for line in lines if line[0] == key]
        if number is None or not named or not self._is_whole(number, key, there):
            return {}
        return {number: _written(named[0])}

    def more_streams(self, path: TomlPath, one: LearntController) -> tuple[int, list[LearntStream]] | None:
        """Give the streams that a table written here does not expect yet, and the line after which they are added."""
        if not {RECORDINGS, UNSTEADY} & self._document.get("machine", {}).keys():
            return None  # nothing was learnt into this map before
        number = self._lines.get((*path, "expects"))
        there = {str(entry.get("frame")) for entry in _at(self._document, path).get("expects", [])}
        more = [stream for stream in one.streams if str(stream.key) not in there]
        if number is None or not more:
            return None
        last = number
        while last < len(self._rows) and _LEARNT_ROW.fullmatch(self._rows[last]):
            last += 1
        return (last, more) if last > number else None

    def periods_anew(self, path: TomlPath, one: LearntController) -> dict[int, tuple[str, str]]:
        """Give the rows of `expects` that more recordings have changed.

        Returns
        -------
        (what is new, "" where no more than what it rests on; text) for each line that is to be replaced, from 1
        """
        number = self._lines.get((*path, "expects"))
        if number is None:
            return {}
        streams = {str(stream.key): stream for stream in one.streams}
        rows = {str(entry.get("frame")): entry for entry in _at(self._document, path)["expects"]}
        found: dict[int, tuple[str, str]] = {}
        for index in range(number, len(self._rows)):
            learnt = _LEARNT_ROW.fullmatch(self._rows[index])
            if learnt is None:
                break
            stream = streams.get(learnt[1])
            before = SeenPeriod.of_row(rows[learnt[1]])
            if stream is None or before is None or (text := _expected(stream)) == self._rows[index]:
                continue
            is_new = seconds_text(before.period_ns) != seconds_text(stream.period_ns)
            found[index + 1] = (f"{learnt[1]} every {seconds_text(stream.period_ns)} s" if is_new else "", text)
        return found

    def _is_whole(self, line: int, key: str, value: object) -> bool:
        """Tell whether one line holds a key with its whole value."""
        try:
            alone = tomllib.loads(self._rows[line - 1])
        except tomllib.TOMLDecodeError:
            return False
        return alone == {key: value}


def _woven(text: str, insertions: Mapping[int, list[str]], replaced: Mapping[int, str]) -> str:
    rows = text.split("\n")
    woven: list[str] = []
    for number, row in enumerate(rows, start=1):
        woven.append(replaced.get(number, row))
        woven += insertions.get(number, [])
    return "\n".join(woven)


def _differs(line: Line, table: Mapping[str, Any]) -> bool:
    key, value, _ = line
    if key not in table or key in ("expects", "channel", RETURNS, RECORDINGS, UNSTEADY):
        return False
    learnt = tomllib.loads(f"x = {value}")["x"]
    there = table[key]
    if isinstance(there, float | int) and isinstance(learnt, float | int):
        return abs(there - learnt) > 0.1 * max(abs(there), abs(learnt))
    return bool(there != learnt) and key in ("can_name", "starts_after")


def expected_by_hand(text: str) -> set[str]:
    """Name the frames that a map expects in rows that `baseline` did not write."""
    document = tomllib.loads(text.removeprefix("\ufeff"))
    rows = text.replace("\r\n", "\n").split("\n")
    learnt = {found[1] for row in rows if (found := _LEARNT_ROW.fullmatch(row))}
    named = {str(entry.get("frame")) for table in document.get("controller", []) for entry in table.get("expects", [])}
    return named - learnt


def _kept(who: str, line: Line, there: object) -> str:
    return f"{who}: {line[0]} = {there} stays; this recording says {line[1]}."


def _channel(channel: int) -> Line:
    return ("channel", str(channel), "")


def _bus_lines(bus: LearntBus) -> list[Line]:
    lines: list[Line] = []
    if bus.bitrate is not None:
        lines.append(("bitrate", str(bus.bitrate), "bit/s"))
    if bus.load is not None:
        lines.append(("usual_load", f"{bus.load:.3f}", "share of the bit rate"))
    lines.append(("usual_errors_per_min", f"{bus.errors_per_min:.2f}", "error frames a minute"))
    return lines


def _wake_lines(wake: LearntWake) -> list[Line]:
    shown = f"{max(wake.usual_ns / SECOND_NS, 0.01):.2f}"
    lines: list[Line] = [
        ("first_frame_usually_s", shown, f"after power came on; {counted(wake.n, 'time')}"),
    ]
    if wake.limit_ns is not None:
        lines.append(
            ("first_frame_within_s", f"{wake.limit_ns / SECOND_NS:.1f}", "later: all controllers are late together")
        )
    return lines


def _controller_lines(one: LearntController) -> list[Line]:
    identity = one.identity
    lines: list[Line] = [("name", _text(one.name), "")]
    if one.channel is not None:
        lines.append(_channel(one.channel))
    if identity.address is not None:
        lines.append(("address", f"0x{identity.address:02X}", ""))
    if identity.can_name is not None:
        lines.append(("can_name", _text(f"0x{identity.can_name:016X}"), "another one means another unit"))
    if identity.node_id is not None:
        lines.append(("node_id", str(identity.node_id), ""))
    if identity.sender is not None:
        lines.append(("sender", _text(identity.sender), ""))
    lines += _return_lines(one)
    if one.starts_after is not None:
        lines.append(("starts_after", _text(one.starts_after), "it has always followed this one closely"))
    lines.append(("expects", _expects(one), ""))
    return lines


def _recordings_lines(baseline: Baseline) -> list[Line]:
    """Name the recordings that times were learnt from, so that none counts twice, and the frames not to expect."""
    each = ", ".join(map(_text, baseline.recordings))
    lines: list[Line] = [(RECORDINGS, f"[{each}]", "recordings that were learnt from")] if each else []
    loose = ", ".join(map(_text, baseline.unsteady))
    why = "no rhythm, or they stop while their controller goes on: not expected"
    return [*lines, (UNSTEADY, f"[{loose}]", why)] if loose else lines


def _return_lines(one: LearntController) -> list[Line]:
    """Write what is known of the returns."""
    lines: list[Line] = []
    if one.usual_ns is not None:
        lines.append(("back_usually_s", f"{one.usual_ns / SECOND_NS:.2f}", _seen(one)))
    if one.limit_ns is not None:
        lines.append(("back_within_s", f"{one.limit_ns / SECOND_NS:.1f}", _limit(one)))
    if one.returns_ns:
        each = ", ".join(seconds_text(value) for value in one.returns_ns)
        lines.append((RETURNS, f"[{each}]", "each healthy return; more recordings add theirs"))
    return lines


def _seen(one: LearntController) -> str:
    n = len(one.returns_ns)
    low, high = min(one.returns_ns) / SECOND_NS, max(one.returns_ns) / SECOND_NS
    place = f", number {one.place} to speak" if one.place is not None else ""
    return f"in step after the machine's first frame; {counted(n, 'return')}, {low:.2f} to {high:.2f} s{place}"


def _limit(one: LearntController) -> str:
    assert one.limit is not None
    how = "the largest seen" if one.limit.distribution_free else "a normal spread assumed"
    return f"covers {one.limit.coverage:.0%} of healthy returns with {one.limit.confidence:.0%} confidence, {how}"


def _expects(one: LearntController) -> str:
    return "\n".join(["[", *map(_expected, one.streams), "]"])


def _expected(stream: LearntStream) -> str:
    seen = stream.seen
    jitter = f", jitter_s = {seconds_text(1000 * seen.jitter_us)}" if seen.jitter_us else ""
    measured = f", {MEASURED} = {seen.kept()}"
    return f'  {{ frame = "{stream.key}", period_s = {seconds_text(stream.period_ns)}{jitter}{measured} }},'


def _text(value: str) -> str:
    import tomlkit

    return tomlkit.string(value).as_string()


def _written(line: Line) -> str:
    key, value, comment = line
    return f"{key} = {value}" + (f"  # {comment}" if comment else "")


def _controller_block(one: LearntController) -> str:
    return _block("controller", _controller_lines(one))


def _block(kind: str, lines: Iterable[Line], *, many: bool = True) -> str:
    return "\n".join([f"[[{kind}]]" if many else f"[{kind}]", *(_written(line) for line in lines)]) + "\n"
