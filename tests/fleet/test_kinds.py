"""Kinds of machine: who is compared with whom, and with nobody where nobody says of what kind a machine is."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from busdoc.many.conclusions.finding import find
from busdoc.many.conclusions.findings import AHEAD_H, Findings
from busdoc.many.judged import Outcome
from busdoc.many.kept.store import Listed
from busdoc.many.told.machine import machine_page
from busdoc.many.told.page import fleet_page
from busdoc.many.told.terminal import render_fleet
from busdoc.many.told.words import expected_words
from busdoc.report.record.html import html_of_page
from tests.truth.fleet_by_chance import FleetPlan, draw_fleet
from tests.truth.fleet_captures import KINDS, Drop, write_capture
from tests.truth.fleet_counts import judged_lines
from tests.typed import Run

MOMENT = datetime(2026, 7, 1, 12, 0)


def lines(kind: Callable[[Listed], str], **plan: Any) -> list[Listed]:
    """Draw a fleet in which the map of each capture says its kind, and no manifest does."""
    drawn = draw_fleet(FleetPlan(machines=8, captures=6, length_s=3600.0, bad=1, times=30.0, **plan), seed=4)
    found = []
    for line in judged_lines(drawn):
        assert line.body is not None
        body = {**line.body, "capture": {**line.body["capture"], "map_name": kind(line)}}
        found.append(replace(line, capture=replace(line.capture, kind=""), body=body))
    return found


def test_machines_of_which_nobody_says_the_kind_are_listed_and_not_compared() -> None:
    known = find(lines(lambda line: line.capture.kind))
    assert [(one.name, len(one.machines)) for one in known.kinds] == [("Straddle carrier", 4), ("Street sweeper", 4)]
    assert len(known.inspect) == 1
    unknown = find(lines(lambda line: ""))
    (kind,) = unknown.kinds
    assert (kind.name, len(kind.machines), kind.typical, kind.controllers) == ("", 8, None, ())
    assert (unknown.inspect, unknown.n_ranked, unknown.n_compared, unknown.n_of_no_kind) == ((), 0, 0, 8)
    rates = {one.ranked.machine: one.ranked.rate for own in known.kinds for one in own.machines}
    assert {one.ranked.machine: one.ranked.rate.n for one in kind.machines} == {k: one.n for k, one in rates.items()}


def told(found: Findings) -> list[str]:
    terminal = " ".join(render_fleet(found, width=100, written=()).split())
    kind = found.kinds[0]
    machine = machine_page(kind, kind.machines[0], iter(()), MOMENT)
    return [terminal, html_of_page(fleet_page(found, "", MOMENT)), html_of_page(machine)]


def test_it_is_said_that_they_are_not_compared_and_nobody_is_called_typical() -> None:
    terminal, page, machine = told(find(lines(lambda line: "")))
    for text in (terminal, page):
        assert "No machine has another of its kind that it could be compared with." in text
        assert "Nobody says of what kind these machines are, so they are not compared." in text
        assert "8 of no known kind" in text
    assert "Not compared" in machine
    for text in (terminal, page, machine):
        assert "the average" not in text


def test_a_capture_without_a_map_counts_with_the_others_of_its_machine_wherever_it_stands() -> None:
    some = lines(lambda line: "" if line.number % 6 in (1, 3) else line.capture.kind)
    found = find(some)
    assert [one.name for one in found.kinds] == ["Straddle carrier", "Street sweeper"]
    assert found.kinds == find(lines(lambda line: line.capture.kind)).kinds


def test_a_map_of_another_machine_makes_no_machine_of_the_other_kind() -> None:
    some = lines(lambda line: line.capture.kind)
    first = some[0]
    assert first.body is not None
    wrong = {**first.body["capture"], "map_name": "Straddle carrier", "doubted": True, "warnings": ["another map"]}
    found = find([replace(first, body={**first.body, "capture": wrong}), *some[1:]])
    assert [(one.name, len(one.machines)) for one in found.kinds] == [("Straddle carrier", 4), ("Street sweeper", 4)]
    assert [one.sentence for one in found.problems] == ["It counts for nothing: another map."]


def test_a_machine_that_is_alone_of_its_kind_is_neither_better_nor_worse() -> None:
    some = [
        line for line in lines(lambda line: line.capture.kind) if line.capture.machine in ("SW-01", "SC-01", "SC-02")
    ]
    found = find(some)
    ranks = {one.ranked.machine: one.ranked for kind in found.kinds for one in kind.machines}
    assert {name: one.fellows for name, one in ranks.items()} == {"SW-01": 0, "SC-01": 1, "SC-02": 1}
    assert "1 machine could not be compared." in render_fleet(found, width=300, written=())


def test_captures_without_maps_are_told_so_by_the_command(run: Run, tmp_path: Path) -> None:
    for k, name in enumerate(("km-1", "km-2")):
        drops = [Drop(at_s=8.0, controllers=("hopper",), holds_s=2.5)] if k else []
        path = write_capture(tmp_path / "park" / name / "a.log", KINDS[k], 20.0, drops, seed=k)
        (path.parent / "machine.toml").unlink()
    status, said, _ = run("fleet", tmp_path / "park", "-o", tmp_path / "out", "--workers", "0", "--reports", "none")
    assert status == 0
    assert "Kind not known: 2 machines" in said
    assert "km-2 " not in said.split("Kind not known")[0]


def test_what_is_worse_than_its_fellows_is_believed_itself_and_the_others_are_drawn_to_one_another() -> None:
    found = find(lines(lambda line: line.capture.kind))
    ((_, bad),) = found.inspect
    one = bad.ranked
    assert (one.believed, one.low, one.high) == (one.rate.per_hour, one.rate.low, one.rate.high)
    assert bad.expected is not None
    assert bad.expected[0] <= one.rate.per_hour * AHEAD_H <= bad.expected[1]
    for kind in found.kinds:
        assert [machine.ranked.believed for machine in kind.machines] == sorted(
            (machine.ranked.believed for machine in kind.machines), reverse=True
        )
        for machine in kind.machines:
            if not machine.ranked.worse and machine.ranked.rate.n:
                assert machine.ranked.believed != machine.ranked.rate.per_hour


def test_a_machine_without_fellows_is_foretold_by_what_it_showed_and_one_of_which_nothing_was_seen_is_not() -> None:
    some = lines(lambda line: "")
    seen = [line for line in some if line.capture.machine == "SW-01"]
    (alone,) = find(seen).kinds[0].machines
    assert alone.expected is not None
    low, high = alone.expected
    assert 0 <= low <= alone.ranked.rate.per_hour * AHEAD_H <= high
    unseen = [replace(line, outcome=Outcome.COULD_NOT, body=None, sentence="no") for line in seen]
    (nothing,) = find(unseen).kinds[0].machines
    assert nothing.expected is None
    assert expected_words(nothing) == "nobody can tell"
