"""A baseline of three recorded starts of a tractor, and what the resync check says of others against it."""

import re
import tomllib
from pathlib import Path

import pytest

from busdoc.analysis.baseline import LearntMap, baseline
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.resync import resync
from busdoc.machine.machine_map import machine_from_text
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


def test_three_calls_with_a_start_each_add_up_and_a_start_given_again_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    for n, start in enumerate((*STARTS, STARTS[2])):
        found = baseline([start], machine_file=path if n else None)
        path.write_text(found.text, encoding="utf-8")
    assert all(len(one.returns_ns) == 3 for one in found.learnt.controllers)
    assert found.learnt.left_out[0].startswith("tractor-crank-run-3.log.gz: learnt from before")
    controllers = tomllib.loads(found.text)["controller"]
    assert len(controllers) == 5
    for one in controllers:
        assert len(one["returns_s"]) == 3
        assert max(one["returns_s"]) < one["back_within_s"]
        assert one["back_usually_s"] == pytest.approx(sorted(one["returns_s"])[1], abs=0.0051)


def test_a_limit_set_by_hand_stays_while_returns_are_learnt_on(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    first = baseline(STARTS[:1]).text
    by_hand = first.replace("back_usually_s = 2.24", "back_within_s = 9.5  # by hand\nback_usually_s = 2.5")
    assert by_hand != first
    path.write_text(by_hand, encoding="utf-8")
    (found,) = [
        one
        for one in tomllib.loads(baseline(STARTS[1:2], machine_file=path).text)["controller"]
        if "0x47" in one["name"]
    ]
    assert (found["back_within_s"], found["back_usually_s"], len(found["returns_s"])) == (9.5, 2.5, 2)


@pytest.mark.parametrize("name", ["key-on-crank-key-off", "idle-run", "one-controller-comes-back"])
def test_what_was_learnt_accuses_nobody_on_the_next_run_of_the_machine(name: str, machine: Path) -> None:
    """Hours of the engine (PGN 65253) come each second for some seconds only: a stream that stops is none to expect."""
    assert not postmortem([REAL / f"tractor-{name}.log.gz"], machine_file=machine).trouble


def test_a_stream_that_stops_while_its_controller_goes_on_is_not_expected(learnt: LearntMap) -> None:
    expected = {stream.key.id for one in learnt.learnt.controllers for stream in one.streams}
    assert 0x18FEE500 not in expected
    assert 0x0CF00400 in expected  # the engine's speed


def expected_by(text: str) -> dict[str, set[str]]:
    """Give what a map expects of each controller, as it is read."""
    machine = machine_from_text(text, "the map")
    return {
        name: {f"0x{stream.id:08X}" for stream in one.spec.expects if stream.period_ns}
        for name, one in machine.controllers.items()
    }


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0)])
def test_what_is_expected_is_the_same_whatever_the_order_and_number_of_calls(
    order: tuple[int, ...], tmp_path: Path
) -> None:
    """Each of these shows streams without a rhythm that another shows with one (0x18FEE706, 0x0C000006, 0x0CFFFE06)."""
    runs = [REAL / f"tractor-{name}.log.gz" for name in ("crank-run-1", "idle-run", "whole-bus-silent-5s")]
    path = tmp_path / "machine.toml"
    for n, k in enumerate(order):
        path.write_text(baseline([runs[k]], machine_file=path if n else None).text, encoding="utf-8")
    at_once = expected_by(baseline(runs).text)
    assert expected_by(path.read_text(encoding="utf-8")) == at_once
    assert not {"0x18FEE706", "0x0C000006", "0x0CFFFE06"} & at_once["address 0x06"]


def test_a_row_that_somebody_wrote_stays_expected_whatever_a_recording_shows(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    first = baseline([REAL / "tractor-crank-run-1.log.gz"]).text
    by_hand, n = re.subn(r'\{ frame = "0x18FEE706",', '{  frame = "0x18FEE706",', first)
    assert n == 1
    path.write_text(by_hand, encoding="utf-8")
    assert (
        "0x18FEE706"
        in expected_by(baseline([REAL / "tractor-idle-run.log.gz"], machine_file=path).text)["address 0x06"]
    )


@pytest.mark.parametrize(
    ("name", "faults"),
    [
        ("key-on-crank-key-off", {}),
        # 0x17 is first heard 70 ms after the starter let go of the others; who was held by it is not late
        ("idle-run", {}),
        # 0x17 wakes 10 s after the machine was switched off: that is no restart, and the others did not fall
        ("one-controller-comes-back", {}),
        # two starts that were tried, one after the other; address 0x03 says SPN 524020 in a DM1
        ("active-dm1", {"address 0x03": (ReturnFault.CODE,)}),
        # the recorder's own pauses of 260 ms, every 5.1 s, and a bus that is silent while all run on
        ("whole-bus-silent-5s", {}),
    ],
)
def test_other_recordings_of_the_machine_are_judged_as_they_were(
    name: str, faults: dict[str, tuple[ReturnFault, ...]], machine: Path
) -> None:
    """What is true of each stands in tests/data/real/NOTICE."""
    (power_up,) = resync([REAL / f"tractor-{name}.log.gz"], machine_file=machine).power_ups
    assert {one.name: one.faults for one in power_up.controllers if one.faults} == faults


@pytest.mark.parametrize("name", ["idle-run", "active-dm1"])
def test_whom_the_starter_held_is_not_told_slower_than_it_was(name: str, machine: Path) -> None:
    assert resync([REAL / f"tractor-{name}.log.gz"], machine_file=machine).changes == ()


def test_of_streams_that_the_map_knows_to_stop_nothing_is_remarked(machine: Path) -> None:
    """0x18FEE500 and 0x18FEE706 come for some seconds only."""
    capture = [REAL / "tractor-idle-run.log.gz"]
    assert any("0x18FEE500" in one for one in postmortem(capture).health.warnings)
    assert postmortem(capture, machine_file=machine).health.warnings == ()


def test_who_pauses_and_goes_on_once_more_while_a_car_is_switched_off_did_not_drop_out(tmp_path: Path) -> None:
    """0x220 pauses for 49 ms while the car's others leave, and leaves with them (tests/data/real/NOTICE)."""
    capture = [REAL / "car-off-on-ready-off.log.gz"]
    path = tmp_path / "car.toml"
    path.write_text(baseline(capture).text, encoding="utf-8")
    assert not postmortem(capture, machine_file=path).trouble
