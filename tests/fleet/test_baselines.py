"""The baseline of a kind: learnt from healthy machines alone, and the next capture is judged by it."""

from pathlib import Path

from busdoc.analysis.resync import resync
from busdoc.machine.machine_map import load_machine
from busdoc.resync_check.records import ReturnVerdict
from tests.truth.fleet_captures import KINDS, Drop, write_capture
from tests.typed import Run

SWEEPER = KINDS[0]


def switched(*times_s: float, late_s: float = 0.0) -> list[Drop]:
    """Switch the machine off and on: one after the other leaves and comes back, the hopper so much later."""
    names = list(SWEEPER.controllers)
    return [
        Drop(
            at_s=t_s + 1.2 * k,
            controllers=(name,),
            holds_s=9.0 - 0.9 * k + (late_s if name == "hopper" else 0.0),
        )
        for t_s in times_s
        for k, name in enumerate(names)
    ]


def test_a_kind_has_the_limits_of_its_healthy_machines_and_they_judge_the_next_capture(
    run: Run, tmp_path: Path
) -> None:
    park = tmp_path / "park"
    for k in range(1, 4):
        path = park / f"SW-{k}" / "day.log"
        write_capture(path, SWEEPER, 48.0, switched(12.0, 30.0), seed=k, start_s=86_400.0 * k)
    bad = [Drop(at_s=at_s, controllers=("broom",), holds_s=3.0) for at_s in (10.0, 24.0, 38.0)]
    write_capture(park / "SW-9" / "day.log", SWEEPER, 48.0, bad, seed=9)
    out = tmp_path / "out"
    _, told, _ = run("fleet", park, "-o", out, "--workers", "0", "--reports", "none", "--baseline", columns=160)
    assert "learnt from 3 healthy captures of 3 machines; 5 controllers with a limit" in " ".join(told.split())
    learnt = out / "baselines" / "Street-sweeper.toml"
    machine = load_machine(learnt)
    periods_s = [(one.period_ns or 0) / 1e9 for one in machine.controllers["hopper"].spec.expects]
    assert sorted(periods_s) == [0.1, 0.5, 1.0]
    assert machine.controllers["hopper"].feed == "fuse-3"
    good = write_capture(tmp_path / "good" / "next.log", SWEEPER, 48.0, switched(12.0, 30.0), seed=77)
    slow = write_capture(tmp_path / "slow" / "next.log", SWEEPER, 54.0, switched(12.0, late_s=8.0), seed=78)
    verdicts = [
        {
            one.verdict
            for power_up in resync([path], machine_file=learnt).power_ups
            for one in power_up.controllers
            if one.name == "hopper"
        }
        for path in (good, slow)
    ]
    assert verdicts == [{ReturnVerdict.PASS}, {ReturnVerdict.FAIL}]


def test_one_healthy_machine_is_no_baseline_of_its_kind(run: Run, tmp_path: Path) -> None:
    write_capture(tmp_path / "park" / "SW-1" / "day.log", SWEEPER, 12.0, [], seed=1)
    out = tmp_path / "out"
    _, told, _ = run("fleet", tmp_path / "park", "-o", out, "--workers", "0", "--reports", "none", "--baseline")
    assert "no baseline of Street sweeper: 1 machine with a healthy capture" in " ".join(told.split())
    assert not (out / "baselines").exists()
