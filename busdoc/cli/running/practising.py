"""A practice machine in the place of a bus, and the session on it."""

import argparse
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.cli.environment import Surroundings
from busdoc.cli.options import load_inputs, parse_speed
from busdoc.errors import InputError
from busdoc.report.words.practice import PRACTICE_SAID

if TYPE_CHECKING:
    from busdoc.live.session import LiveSession

__all__ = ["OWN_SCENARIO", "practise"]

OWN_SCENARIO = ""
"""The scenario that the package brings."""


def practise(
    arguments: argparse.Namespace, files: list[Path | tuple[int | str, Path]], surroundings: Surroundings
) -> "LiveSession":
    """Open a practice machine, and the session on it.

    Raises
    ------
    InputError : the scenario cannot be practised, or the folder holds a session
    """
    import time
    from dataclasses import replace

    from busdoc import __version__
    from busdoc.live.session import LiveSession
    from busdoc.session.folder import SessionFolder, is_session
    from busdoc.simulation.demo import demo_scenario
    from busdoc.simulation.practice.bus import PracticeBus
    from busdoc.simulation.scenario.file import load_scenario

    path = demo_scenario() if arguments.practice == OWN_SCENARIO else Path(arguments.practice)
    scenario = load_scenario(path, to_practise=True)
    machine_file = path.parent / scenario.machine_file
    databases = files or ([] if scenario.database_file is None else [path.parent / scenario.database_file])
    machine, database = load_inputs(machine_file, databases)
    source = PracticeBus(
        replace(scenario, start_ns=time.time_ns()),
        arguments.seed,
        speed=parse_speed(arguments.speed or "1"),
        slow_hands=arguments.slow_hands,
    )
    folder: SessionFolder | None = None
    if arguments.session is not None:
        if is_session(arguments.session):
            raise InputError(
                str(arguments.session), "a new folder to practise", "one that holds a session", "Name another folder."
            )
        folder = SessionFolder(
            arguments.session,
            machine_file=machine_file,
            databases=() if database is None else [file.given for file in database.files if not file.why_not],
            command=shlex.join(["busdoc", *arguments.words]),
            version=__version__,
        )
    if not arguments.plain:
        print(f"busdoc: {PRACTICE_SAID}", file=surroundings.stderr)
    return LiveSession(source, machine, database, folder=folder, asked=arguments.symptom, hands=source)
