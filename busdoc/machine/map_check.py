"""What the entries of a machine map say of one another: names that exist, no loops, nothing claimed twice."""

from collections.abc import Iterable, Sequence
from typing import TypeAlias

from busdoc.machine.condition import Condition
from busdoc.machine.machine import Bus, CodeHint, Controller, Part, PartKind, StatusSignal
from busdoc.machine.map_problems import MapProblems, shown
from busdoc.machine.map_table import MapTable

__all__ = ["check_links"]

Parts: TypeAlias = Sequence[tuple[MapTable, Part]]
Controllers: TypeAlias = Sequence[tuple[MapTable, Controller]]

_MUST_HANG_ON = {PartKind.FEED: "feed", PartKind.SEGMENT: "segment"}


def check_links(
    problems: MapProblems,
    buses: Sequence[tuple[MapTable, Bus]],
    parts: Parts,
    controllers: Controllers,
    statuses: Sequence[tuple[MapTable, StatusSignal]],
    codes: Sequence[tuple[MapTable, CodeHint]],
    symptoms: Sequence[tuple[MapTable, Condition]],
) -> None:
    """Note every mistake that shows only when the entries are held against one another."""
    _check_unique_names(problems, parts, controllers)
    _check_owners(parts, controllers)
    _check_sockets(problems, parts)
    _check_loops(parts)
    _check_swaps(parts, controllers)
    _check_channels(problems, buses, controllers)
    _check_identities(problems, controllers)
    _check_codes(parts, controllers, statuses, codes, symptoms)


def _check_unique_names(problems: MapProblems, parts: Parts, controllers: Controllers) -> None:
    first: dict[str, MapTable] = {}
    named: list[tuple[MapTable, str]] = [(table, part.name) for table, part in parts]
    named += [(table, controller.name) for table, controller in controllers]
    for table, name in named:
        folded = name.casefold()  # a journal is typed by hand: names that differ in case alone invite mistakes
        if folded in first:
            line = problems.line_of((*first[folded].path, "name"))
            table.wrong("name", "a name of its own", f"{shown(name)} as on line {line}", "Give one another name.")
        first.setdefault(folded, table)


def _check_owners(parts: Parts, controllers: Controllers) -> None:
    of_kind = {kind: [part.name for _, part in parts if part.kind is kind] for kind in _MUST_HANG_ON}
    everything = [part.name for _, part in parts] + [controller.name for _, controller in controllers]
    known = set(everything)
    for table, part in parts:
        if part.owner is None:
            continue
        if part.kind in _MUST_HANG_ON:
            _check_name(table, "into", part.owner, of_kind[part.kind], f"the name of a {_MUST_HANG_ON[part.kind]}")
        elif part.owner not in known:
            _check_name(table, "into", part.owner, everything, "the name of a part or controller")
    for table, controller in controllers:
        _check_name(table, "into", controller.feed, of_kind[PartKind.FEED], "the name of a feed")
        _check_name(table, "on", controller.segment, of_kind[PartKind.SEGMENT], "the name of a segment")
        names = [other.name for _, other in controllers if other.name != controller.name]
        _check_name(table, "starts_after", controller.starts_after, names, "the name of another controller")


def _check_name(table: MapTable, key: str, name: str | None, allowed: Sequence[str], what: str) -> None:
    if name is None or name in allowed:
        return
    near = table.nearest(name, allowed) if allowed else f"The map has no such part; add it, or take `{key}` out."
    table.wrong(key, what, shown(name), near)


def _check_sockets(problems: MapProblems, parts: Parts) -> None:
    taken: dict[tuple[str, str], MapTable] = {}
    for table, part in parts:
        if part.owner is None or part.socket is None:
            continue
        place = (part.owner, part.socket)
        if place in taken:
            line = problems.line_of((*taken[place].path, "into"))
            found = f"{shown(':'.join(place))} as on line {line}"
            table.wrong("into", "a socket that is free", found, "One socket takes one plug; name another.")
        taken.setdefault(place, table)


def _check_loops(parts: Parts) -> None:
    owner = {part.name: part.owner for _, part in parts}
    settled: set[str] = set()
    for table, part in parts:
        trail: dict[str, None] = {}
        here: str | None = part.name
        while here is not None and here in owner and here not in settled and here not in trail:
            trail[here] = None
            here = owner[here]
        if here is not None and here in trail:
            names = list(trail)
            loop = [*names[names.index(here) :], here]
            way = " into ".join(loop[:6]) + (" and so on" if len(loop) > 6 else "")
            table.wrong("into", "a tree, in which nothing hangs on itself", way, "Take one `into` of the loop out.")
        settled.update(trail)


def _check_swaps(parts: Parts, controllers: Controllers) -> None:
    kind_of = {part.name: str(part.kind) for _, part in parts}
    kind_of |= {controller.name: "controller" for _, controller in controllers}
    entries: list[tuple[MapTable, str, tuple[str, ...]]] = [(t, part.name, part.swaps_with) for t, part in parts]
    entries += [(t, controller.name, controller.swaps_with) for t, controller in controllers]
    for table, name, swaps_with in entries:
        if not swaps_with:
            continue
        kind = kind_of[name]
        alike = [other for other, other_kind in kind_of.items() if other_kind == kind and other != name]
        for index, other in enumerate(swaps_with):
            if other not in alike:
                table.wrong_item(
                    "swaps_with", index, f"the name of another {kind}", shown(other), table.nearest(other, alike)
                )


def _check_channels(problems: MapProblems, buses: Sequence[tuple[MapTable, Bus]], controllers: Controllers) -> None:
    first: dict[int | str, MapTable] = {}
    for table, bus in buses:
        if bus.channel in first:
            line = problems.line_of((*first[bus.channel].path, "channel"))
            found = f"{shown(bus.channel)} as on line {line}"
            table.wrong("channel", "each channel once", found, "Take one of the two [[bus]] out.")
        first.setdefault(bus.channel, table)
    for table, controller in controllers:
        channel = controller.spec.channel
        if first and channel is not None and channel not in first:
            names = [str(known) for known in first]
            table.wrong("channel", "the channel of a [[bus]]", shown(channel), table.nearest(str(channel), names))


def _check_identities(problems: MapProblems, controllers: Controllers) -> None:
    """Two controllers that answer to the same mark on the same channel could never be told apart."""
    taken: dict[tuple[str, int | str | None, object], tuple[MapTable, str, str]] = {}
    for table, controller in controllers:
        spec = controller.spec
        marks: list[tuple[str, object, str]] = [
            (key, value, key)
            for key in ("address", "can_name", "node_id", "sender")
            if (value := getattr(spec.identity, key)) is not None
        ]
        in_key = "expects" if "frames" not in table else "frames"
        marks += [("frame", (stream.id, stream.extended), in_key) for stream in spec.expects]
        for what, value, key in marks:
            mark = (what, spec.channel, value)
            if mark in taken:
                first_table, first_key, first_name = taken[mark]
                line = problems.line_of((*first_table.path, first_key))
                found = f"the one of {shown(first_name)}, line {line}"
                table.wrong(key, f"an own {what}", found, "Correct one of the two, or give each its channel.")
            taken.setdefault(mark, (table, key, controller.name))


def _check_codes(
    parts: Parts,
    controllers: Controllers,
    statuses: Sequence[tuple[MapTable, StatusSignal]],
    codes: Sequence[tuple[MapTable, CodeHint]],
    symptoms: Sequence[tuple[MapTable, Condition]],
) -> None:
    controller_names = [controller.name for _, controller in controllers]
    supplies = {part.supply for _, part in parts if part.supply is not None}
    targets = {*PartKind, *(part.name for _, part in parts), *controller_names, *supplies}
    for table, part in parts:
        if part.supply is not None:
            owner = part.supply.partition(":")[0]
            _check_name(table, "supply", owner, controller_names, "a sensor supply as `controller:supply`")
    sayings: Iterable[tuple[MapTable, str | None]] = [
        *((table, status.controller) for table, status in statuses),
        *((table, code.controller) for table, code in codes),
        *((table, symptom.controller) for table, symptom in symptoms),
    ]
    for table, name in sayings:
        _check_name(table, "controller", name, controller_names, "the name of a controller")
    pointing: Iterable[tuple[MapTable, tuple[str, ...]]] = [
        *((table, code.points_at) for table, code in codes),
        *((table, symptom.points_at) for table, symptom in symptoms),
    ]
    for table, points_at in pointing:
        for index, target in enumerate(points_at):
            if target not in targets:
                expected = "a kind of part, or a name on this map"
                table.wrong_item("points_at", index, expected, shown(target), table.nearest(target, targets))
