"""A branch that no map knows is accused of what came as it was plugged in, not of what came while it was out."""

from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.isolation.verdict import Suspect

CAPTURE = Path(__file__).parents[2] / "captures" / "street_sweeper" / "capture.log.gz"


def suspects(tmp_path: Path, *rows: str, machine: Path | None = None) -> dict[str, Suspect]:
    journal = tmp_path / "actions.csv"
    journal.write_text("\n".join(("time,action,part,into,uncertainty_s,note", *rows)) + "\n", encoding="utf-8")
    verdict = postmortem([CAPTURE], machine_file=machine, journal_file=journal).isolation
    assert verdict is not None
    return {suspect.part: suspect for suspect in verdict.suspects}


@pytest.mark.parametrize("at_s", [20, 36, 100])
def test_a_branch_that_was_out_while_controllers_fell_is_not_named(tmp_path: Path, at_s: int) -> None:
    """The recording's own four power cycles are not in this journal, and are nobody's fault either."""
    found = suspects(tmp_path, f"+{at_s},unplug,left,,1,")
    assert found["left"].probability < 0.2
    assert max(found, key=lambda part: found[part].probability) == "elsewhere"


def test_a_branch_after_whose_plugging_a_controller_fell_is(tmp_path: Path) -> None:
    found = suspects(
        tmp_path, "+62,unplug,left,,1,", "+133,plug,left,,1,", "+139,unplug,left,,1,", "+160,plug,left,,1,"
    )
    assert max(found, key=lambda part: found[part].probability) == "left"


def test_power_cycles_that_nobody_wrote_down_do_not_accuse_the_main_supply(tmp_path: Path) -> None:
    found = suspects(tmp_path, "+211,unplug,harness-A,,1,", machine=CAPTURE.with_name("machine.toml"))
    assert found["battery"].probability < 0.2
