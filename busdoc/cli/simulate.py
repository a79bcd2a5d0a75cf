"""The command `simulate`: a capture with its truth, made from a scenario.

Everything heavy is imported inside the command that needs it, so that help answers at once.
"""

import argparse
from pathlib import Path

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.options import add_quiet_option
from busdoc.errors import InputError, found_instead

__all__ = ["add_simulate"]


def add_simulate(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `busdoc simulate` to the commands."""
    simulate = commands.add_parser(
        "simulate",
        help="make a capture with its truth from a scenario",
        description="Runs a machine, its faults and a technician in software, and writes the capture, journal, map, "
        "database and the truth to a folder.",
        epilog="Exit status: 0 written, 2 could not be done.",
    )
    simulate.add_argument("scenario", type=Path, metavar="SCENARIO.toml")
    simulate.add_argument("-o", "--output", type=Path, required=True, metavar="DIR", help="folder to write to")
    simulate.add_argument("--seed", type=int, default=None, help="another run of the same scenario")
    simulate.add_argument(
        "--suffix", default=".log", help="kind of capture: .log, .log.gz, .asc, .blf, … (default .log)"
    )
    add_quiet_option(simulate)
    simulate.set_defaults(run=_simulate)


def _simulate(arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    from busdoc.simulation.run_folder import run_scenario_file

    seed: int | None = arguments.seed
    if seed is not None and seed < 0:
        raise InputError("--seed", "a whole number from 0 on", str(seed), "Leave the sign off.")
    folder: Path = arguments.output
    try:
        run_scenario_file(arguments.scenario, folder, seed=seed, suffix=arguments.suffix)
    except OSError as error:
        raise InputError(
            str(folder), "a folder that can be written", found_instead(error), "Name another with -o."
        ) from error
    print(f"Written to {arguments.output}.", file=surroundings.stdout)
    return ExitStatus.HEALTHY
