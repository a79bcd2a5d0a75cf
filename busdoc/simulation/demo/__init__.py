"""The demonstration that ships with the package: a street sweeper whose gate angle sensor shorts its supply."""

import shutil
from dataclasses import dataclass
from pathlib import Path

__all__ = ["DemoFiles", "demo_scenario", "write_demo"]

_HERE = Path(__file__).parent
_SCENARIO = "scenario.toml"
_MACHINE = "machine.toml"
_DATABASE = "street_sweeper.dbc"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoFiles:
    """Where the demonstration was written."""

    capture: Path
    actions: Path
    machine: Path
    database: Path
    scenario: Path
    truth: Path


def demo_scenario() -> Path:
    """Give the demonstration's scenario, its map and database beside it."""
    return _HERE / _SCENARIO


def write_demo(folder: Path) -> DemoFiles:
    """Write the demonstration's capture, journal, map, database, scenario and truth into a folder, which is made.

    The same files every time: the scenario fixes the seed.
    """
    from busdoc.simulation.run_folder import run_scenario_file

    run_scenario_file(_HERE / _SCENARIO, folder)
    shutil.copyfile(_HERE / _SCENARIO, folder / _SCENARIO)
    return DemoFiles(
        capture=folder / "capture.log",
        actions=folder / "actions.csv",
        machine=folder / _MACHINE,
        database=folder / _DATABASE,
        scenario=folder / _SCENARIO,
        truth=folder / "truth.json",
    )
