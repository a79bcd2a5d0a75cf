"""The captures that ship with the project, analysed from their files, against their truth."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import busdoc
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.report.terminal.terminal import render
from busdoc.report.words.headline import headline
from busdoc.simulation.run import Run
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.scenario.scenario import simulate
from tests.suite.score import score

ROOT = Path(__file__).parents[2]
FOLDERS = (
    "street_sweeper",
    "sweeper_feed",
    "sweeper_segment",
    "straddle_carrier",
    "sweeper_code",
    "sweeper_healthy",
    "sweeper_late",
    "sweeper_returned",
)
BROADCAST_NS = 1_000_000_000
"""DM1 goes out once a second: SAE J1939-73 5.7.1."""
EACH = pytest.mark.parametrize("folder", FOLDERS)


@cache
def run_of(folder: str) -> Run:
    return simulate(load_scenario(ROOT / "captures" / folder / "scenario.toml"))


@cache
def result_of(folder: str) -> Result:
    is_carrier = folder == "straddle_carrier"
    machine = ROOT / "captures" / (folder if is_carrier else "street_sweeper") / "machine.toml"
    database = ROOT / "dbc_examples" / ("straddle_carrier.dbc" if is_carrier else "street_sweeper.dbc")
    capture = ROOT / "captures" / folder
    return postmortem(
        [capture / "capture.log.gz"],
        databases=[database],
        machine_file=machine,
        journal_file=capture / "actions.csv",
    )


@EACH
def test_silences_onsets_and_returns_are_told_as_they_were(folder: str) -> None:
    run, result = run_of(folder), result_of(folder)
    found = score(run, replace(result.health, incidents=result.incidents), result.because, folder)
    assert found.due > 0
    assert (found.found, found.invented, found.onset_right) == (found.due, 0, found.due), str(found)
    assert found.ran_on_right == found.ran_on_asked, str(found)


@EACH
def test_every_incident_is_given_to_the_action_that_did_it_or_to_none(folder: str) -> None:
    run, result = run_of(folder), result_of(folder)
    found = score(run, replace(result.health, incidents=result.incidents), result.because, folder)
    assert (found.caused_right, found.uncaused_right) == (found.caused, found.uncaused), str(found)


@EACH
def test_every_code_is_raised_and_cleared_when_it_was(folder: str) -> None:
    run, result = run_of(folder), result_of(folder)
    true = sorted(
        (c.controller, c.spn, c.emcy, run.start_ns + round(c.raised_s * 1e9), c.cleared_s) for c in run.truth.codes
    )
    told = sorted(
        (code.controller, code.spn, code.emcy, raised_ns, cleared_ns)
        for code in result.codes
        if code.spn is not None or code.emcy is not None
        for raised_ns, cleared_ns in code.active_spans
    )
    assert [entry[:3] for entry in told] == [entry[:3] for entry in true]
    for (controller, *_, true_ns, cleared_s), (*_, told_ns, told_cleared_ns) in zip(true, told, strict=True):
        assert 0 <= told_ns - true_ns < BROADCAST_NS
        if told_cleared_ns is None or cleared_s is None:
            assert told_cleared_ns == cleared_s
            continue
        true_cleared_ns = run.start_ns + round(cleared_s * 1e9)
        fell_silent = any(
            s.controller == controller and true_ns <= s.lost_ns <= true_cleared_ns for s in run.truth.silences
        )
        # Of a controller that falls silent nobody knows when its code went: not after its return without it.
        earliest_ns = told_ns if fell_silent else true_cleared_ns - BROADCAST_NS
        assert earliest_ns <= told_cleared_ns < true_cleared_ns + BROADCAST_NS


def test_every_capture_is_what_its_scenario_makes() -> None:
    """The files of the healthy ones; what the others hold is judged above."""
    for folder in ("sweeper_healthy", "sweeper_late", "sweeper_returned"):
        kept = busdoc.open_capture(ROOT / "captures" / folder / "capture.log.gz").blocks()
        kept_ns, made_ns = (np.concatenate([block.t_ns for block in b]) for b in (kept, run_of(folder).blocks))
        assert kept_ns.size == made_ns.size, folder
        assert np.abs(kept_ns - made_ns).max() < 1000, folder  # the format writes whole microseconds


def _with_map(folder: str, machine: Path, database: Path) -> Result:
    capture = ROOT / "captures" / folder
    return postmortem(
        [capture / "capture.log.gz"],
        databases=[database],
        machine_file=machine,
        journal_file=capture / "actions.csv",
    )


def test_limits_learnt_from_the_healthy_sweeper_pass_it_and_fail_the_late_controller_alone(tmp_path: Path) -> None:
    database = ROOT / "dbc_examples" / "street_sweeper.dbc"
    healthy = ROOT / "captures" / "sweeper_healthy"
    learnt = tmp_path / "sweeper.toml"
    text = busdoc.baseline(healthy / "capture.log.gz", databases=database, journal=healthy / "actions.csv").text
    learnt.write_text(text, encoding="utf-8")
    for folder, failed in (("sweeper_healthy", []), ("sweeper_returned", []), ("sweeper_late", ["hopper"])):
        returns = busdoc.resync(ROOT / "captures" / folder / "capture.log.gz", databases=database, machine=learnt)
        *_, truth = run_of(folder).truth.power_ups
        power_up = returns.power_ups[-1]
        assert [one.name for one in power_up.controllers if one.verdict == "fail"] == failed
        told = "hopper: slower, in step after" in render(_with_map(folder, learnt, database))
        assert told == bool(failed), folder  # the post-mortem says it too, whoever is healthy otherwise
        found = _with_map(folder, learnt, database)
        assert bool(found.trouble) == bool(failed), folder
        assert ("the power-up hopper did not come back as it should" in headline(found)) == bool(failed)
        for one in power_up.controllers:
            assert abs((one.first_ns or 0) - (truth.first_ns[one.name] or 0)) < 1000, (folder, one.name)
