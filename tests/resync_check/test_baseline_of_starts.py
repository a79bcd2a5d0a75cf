"""A baseline of three recorded starts of a tractor, and what the resync check says of others against it."""

from pathlib import Path

import pytest

from busdoc.analysis.baseline import LearntMap, baseline
from busdoc.analysis.resync import resync
from busdoc.resync_check.records import ReturnFault, ReturnVerdict

REAL = Path(__file__).parents[1] / "data" / "real"
STARTS = [REAL / f"tractor-crank-run-{n}.log.gz" for n in (1, 2, 3)]


@pytest.fixture(scope="module")
def learnt() -> LearntMap:
    return baseline(STARTS)


@pytest.fixture(scope="module")
def machine(learnt: LearntMap, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tractor") / "machine.toml"
    path.write_text(learnt.text, encoding="utf-8")
    return path


def test_three_starts_whose_clocks_begin_at_zero_are_three_power_ups(learnt: LearntMap) -> None:
    assert learnt.learnt.n_power_ups == 3
    assert {one.name for one in learnt.learnt.controllers} == {
        f"address 0x{address:02X}" for address in (0x00, 0x03, 0x06, 0x17, 0x47)
    }
    # although three of them dip at the crank, all have returned three times, so each has a limit
    assert [len(one.returns_ns) for one in learnt.learnt.controllers] == [3] * 5
    assert all(one.limit_ns is not None for one in learnt.learnt.controllers)


def test_a_start_like_those_passes(machine: Path) -> None:
    found = resync([REAL / "tractor-key-on-crank-key-off.log.gz"], machine_file=machine)
    assert found.verdict is ReturnVerdict.PASS
    assert found.changes == ()


def test_a_start_from_which_one_stays_away_fails_for_that_one(machine: Path) -> None:
    found = resync([REAL / "tractor-crank-one-stays-away.log.gz"], machine_file=machine)
    assert found.verdict is ReturnVerdict.FAIL
    (power_up,) = found.power_ups
    faults = {one.name: one.faults for one in power_up.controllers if one.faults}
    # address 3 has a fault code that stands (SPN 524020); nobody else is accused
    assert faults == {"address 0x17": (ReturnFault.FELL_AGAIN,), "address 0x03": (ReturnFault.CODE,)}
