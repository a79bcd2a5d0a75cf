"""A made-up machine written as a map, against the loader of maps."""

from pathlib import Path

import numpy as np
import pytest

from busdoc.machine.machine_map import load_machine
from tests.truth.by_chance.machine_text import machine_text
from tests.truth.by_chance.random_machine import Protocol, random_machine

DEMO_MAP = Path(__file__).parents[2] / "busdoc" / "simulation" / "demo" / "machine.toml"


@pytest.mark.parametrize("protocol", list(Protocol))
@pytest.mark.parametrize("seed", range(3))
def test_a_made_up_machine_reads_back_as_itself(protocol: Protocol, seed: int, tmp_path: Path) -> None:
    machine = random_machine(np.random.default_rng(seed), protocol=protocol, latches=True)
    (tmp_path / "machine.toml").write_text(machine_text(machine), encoding="utf-8")
    read = load_machine(tmp_path / "machine.toml")
    assert dict(read.parts) == dict(machine.parts)
    assert dict(read.controllers) == dict(machine.controllers)
    assert read.buses == machine.buses


def test_the_demonstration_map_survives_being_written_again(tmp_path: Path) -> None:
    machine = load_machine(DEMO_MAP)
    (tmp_path / "machine.toml").write_text(machine_text(machine), encoding="utf-8")
    read = load_machine(tmp_path / "machine.toml")
    assert dict(read.parts) == dict(machine.parts)
    assert dict(read.controllers) == dict(machine.controllers)
    assert (read.codes, read.statuses, read.cautions) == (machine.codes, machine.statuses, machine.cautions)
