"""The whole job on a practice machine under the true screen: from the first fall to "cured"."""

from pathlib import Path

from busdoc.actions.action import ActionKind
from busdoc.live.programs.cured_record import CuredRecord
from busdoc.live.view import HappeningKind
from busdoc.screen.drawing.words import verdict_in_short
from busdoc.simulation.fault import Fault
from tests.truth.practice import MAP, Bench, rear_of_sweeper
from tests.waiting import wait_for


def work_on(bench: Bench, most_s: float) -> list[str]:
    """Do what the screen proposes until it says cured; give what was proposed, in order."""
    proposed = []
    end_s = bench.t_s + most_s
    while bench.t_s < end_s and not (bench.view.cured and not bench.view.not_back):
        following = bench.view.next
        if following is None or following.step >= len(following.test.steps):
            bench.run(1.0)
            continue
        if following.hold_until_ns is not None and following.hold_until_ns > bench.view.now_ns:
            bench.run(1.0)
            continue
        step = following.test.steps[following.step]
        if step.action in (ActionKind.UNPLUG, ActionKind.PLUG, ActionKind.REPLACE):
            assert not bench.world.powered, f"hands in a live machine: {following.steps_text[following.step]}"
        proposed.append(following.steps_text[following.step])
        bench.run(1.5)
        if bench.view.next is None or bench.view.next.step >= len(bench.view.next.test.steps):
            continue
        if bench.view.next.test.steps[bench.view.next.step] != step:
            continue
        bench.key("space")
        if step.action in (ActionKind.REPLACE, ActionKind.SWAP):
            bench.key("y")
        elif step.action in (ActionKind.POWER_OFF, ActionKind.POWER_ON):
            bench.run(4.0)
    return proposed


def test_a_hard_sensor_is_found_replaced_and_proved_with_hands_in_no_live_machine(tmp_path: Path) -> None:
    scenario = rear_of_sweeper(Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=5.0))
    (tmp_path / "machine.toml").write_text(MAP, encoding="utf-8")
    bench = Bench(scenario, tick_s=1.0, folder=tmp_path / "job", machine_file=tmp_path / "machine.toml")
    record = CuredRecord(tmp_path / "job", tmp_path / "job" / "record.html", clock_s=lambda: bench.t_s)
    bench.session.listeners.append(record.hear)
    bench.session.writes_record = record.look
    bench.run(8.0)
    proposed = work_on(bench, 400.0)
    assert bench.view.cured.startswith("Repair proved: gate-angle was replaced")
    assert not bench.view.not_back
    assert [one.kind for one in bench.heard if one.kind is HappeningKind.CURED] == [HappeningKind.CURED]
    assert not any(one.kind is HappeningKind.ALARM for one in bench.heard)
    assert "Replace gate-angle" in " ".join(proposed)
    (row,) = [one for one in bench.view.harness if one.name == "gate-angle"]
    assert (row.repaired, row.probability) == (True, None)  # the old evidence is history, on the screen too
    assert verdict_in_short(bench.view) == ("", False)
    # The record is written by itself, of the folder, and says the same.
    bench.run(4.0)
    wait_for(lambda: bench.run(0.01) or "written" in bench.screen.message.text)
    assert bench.screen.message.text == f"the record is written: {record.path}"
    assert "gate-angle was replaced" in record.path.read_text(encoding="utf-8")
    bench.session.close()


def test_two_faults_are_found_one_after_the_other_and_no_part_is_replaced_twice() -> None:
    sensors = [
        Fault(part=part, latches=True, delay_s=delay_s, from_s=6.0)
        for part, delay_s in (("gate-angle", 0.7), ("tilt-angle", 0.9))
    ]
    bench = Bench(rear_of_sweeper(*sensors), tick_s=1.0)
    bench.run(8.0)
    proposed = work_on(bench, 400.0)
    assert bench.view.cured
    replaced = [text.split()[1] for text in proposed if text.startswith("Replace")]
    assert sorted(replaced) == ["gate-angle", "tilt-angle"]
