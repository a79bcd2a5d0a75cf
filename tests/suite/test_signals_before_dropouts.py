"""Signals before dropouts: a recording is read again only for dropouts, and never beyond what its frames say."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from busdoc.analysis.case import Case
from busdoc.analysis.signals_before_dropouts import signals_before_dropouts
from busdoc.analysis.watches import Watches
from busdoc.capture.source import Capture, open_capture
from busdoc.decode.database.database import load_databases
from busdoc.decode.signals.summary import SignalSummary
from busdoc.health.summary import Health
from busdoc.intermittent.dropouts import Dropouts, watched_of
from busdoc.machine.machine_map import load_machine
from busdoc.simulation.run_folder import write_run
from tests.truth.by_chance.intermittent import IntermittentRun, TrueCause, intermittent_run
from tests.truth.by_chance.machine_text import machine_text


@cache
def sagging() -> IntermittentRun:
    return intermittent_run(TrueCause.SAG, 5, hours=0.4, n_due=(14, 14), n_controllers=3)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write twenty minutes of a machine whose supply sags before its dropouts."""
    where = tmp_path_factory.mktemp("sag")
    write_run(sagging().run, where)
    (where / "machine.toml").write_text(machine_text(sagging().run.machine), encoding="utf-8", newline="\n")
    (where / "signals.dbc").write_text(sagging().database, encoding="utf-8", newline="\n")
    return where


def first_look(folder: Path) -> tuple[Case, Health, tuple[SignalSummary, ...], Dropouts]:
    capture, database = open_capture([folder / "capture.log"]), load_databases([folder / "signals.dbc"])
    machine = load_machine(folder / "machine.toml")
    case = Case(machine=machine, channels=capture.channels, database=database, recording=capture)
    watches = Watches(case)
    for block in capture.blocks():
        watches.feed(block)
    health = watches.close()
    name = sagging().controller
    own = [incident for incident in health.incidents if name in incident.controllers]
    dropouts = Dropouts.of((name,), own, watched_of(health, (name,)))
    return case, health, watches.signal_summaries(), dropouts


def recording_of(case: Case) -> Capture:
    assert case.recording is not None
    return case.recording


def test_the_supply_that_sags_before_the_dropouts_comes_first(folder: Path) -> None:
    case, health, summaries, dropouts = first_look(folder)
    found = signals_before_dropouts(case, health, summaries, [dropouts]).covariates
    assert found[0].name == sagging().signals[0]
    assert found[0].p < 1e-8
    assert found[0].is_voltage


def test_the_second_reading_leaves_what_the_first_one_counted_alone(folder: Path) -> None:
    case, health, summaries, dropouts = first_look(folder)
    capture = recording_of(case)
    before = (capture.skipped.total, capture.warnings, capture.gaps, capture.channels.numbers)
    signals_before_dropouts(case, health, summaries, [dropouts])
    assert (capture.skipped.total, capture.warnings, capture.gaps, capture.channels.numbers) == before


def test_without_a_database_the_bus_and_the_controllers_own_rhythm_are_looked_at(folder: Path) -> None:
    case, health, _, dropouts = first_look(folder)
    names = {
        one.name for one in signals_before_dropouts(replace(case, database=None), health, (), [dropouts]).covariates
    }
    assert any(name.startswith("the interval of 0x") and name.endswith(sagging().controller) for name in names)
    assert any(name.startswith(("the bus load of", "the frames a second on")) for name in names)


def test_a_recording_with_few_dropouts_is_not_read_again(folder: Path, tmp_path: Path) -> None:
    case, health, summaries, dropouts = first_look(folder)
    few = replace(
        dropouts,
        last_seen_ns=dropouts.last_seen_ns[:2],
        onset_ns=dropouts.onset_ns[:2],
        over_ns=dropouts.over_ns[:2],
    )
    recording_of(case).files = (tmp_path / "gone.log",)  # to read it again would be to say so
    found = signals_before_dropouts(case, health, summaries, [few])
    assert (found.covariates, found.left_out) == ((), ())


def test_a_capture_that_cannot_be_read_twice_is_said(folder: Path, tmp_path: Path) -> None:
    case, health, summaries, dropouts = first_look(folder)
    recording_of(case).files = (tmp_path / "gone.log",)
    found = signals_before_dropouts(case, health, summaries, [dropouts])
    assert found.covariates == ()
    assert "can be read only once" in found.left_out[0]


def test_every_number_of_a_finding_is_finite(folder: Path) -> None:
    case, health, summaries, dropouts = first_look(folder)
    for one in signals_before_dropouts(case, health, summaries, [dropouts]).covariates:
        numbers = (one.p, one.threshold, one.threshold_low, one.threshold_high, one.separates, one.explained)
        assert np.isfinite(numbers).all(), one.name
        assert 0.0 <= one.p <= 1.0
        assert one.threshold_low <= one.threshold <= one.threshold_high
        assert one.separates_low <= one.separates <= one.separates_high
        assert 0 <= one.n_beyond <= one.n_dropouts
