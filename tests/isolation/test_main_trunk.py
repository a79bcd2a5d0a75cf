"""The trunk that all controllers hang on: named where it lets go under the hand, else it may be our own lead."""

from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.isolation.conclusion import State
from busdoc.simulation.run_folder import run_scenario_file

ROOT = Path(__file__).parents[2]
SEGMENT = ROOT / "captures" / "sweeper_segment" / "scenario.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bundled story of the rear trunk, with the front trunk at fault."""
    path = tmp_path_factory.mktemp("front")
    text = SEGMENT.read_text(encoding="utf-8").replace('part = "rear-trunk"', 'part = "front-trunk"')
    text = text.replace("../street_sweeper/machine.toml", "machine.toml")
    text = text.replace("../../dbc_examples/street_sweeper.dbc", "street_sweeper.dbc")
    (path / "scenario.toml").write_text(text, encoding="utf-8")
    for name in (ROOT / "captures/street_sweeper/machine.toml", ROOT / "dbc_examples/street_sweeper.dbc"):
        (path / name.name).write_bytes(name.read_bytes())
    run_scenario_file(path / "scenario.toml", path / "out")
    return path / "out"


def judged(folder: Path, journal: Path) -> Result:
    return postmortem([folder / "capture.log"], machine_file=folder / "machine.toml", journal_file=journal)


def test_a_trunk_that_lets_go_under_the_hand_is_named_and_all_its_silences_count(folder: Path) -> None:
    result = judged(folder, folder / "actions.csv")
    assert (result.conclusion.state, result.conclusion.part) == (State.NAMED, "front-trunk")
    assert "fell together 6 times" in result.conclusion.named[0].why[0]


@pytest.mark.parametrize("at_s", [(10, 15), (220, 224)])
def test_the_same_silences_accuse_nobody_where_no_hand_was_near_or_but_once(
    folder: Path, tmp_path: Path, at_s: tuple[int, int]
) -> None:
    """They may as well be the laptop's own lead, which nobody looked at."""
    journal = tmp_path / "actions.csv"
    rows = [f"+{t},wiggle,{part}" for t, part in zip(at_s, ("front-trunk", "rear-trunk"), strict=True)]
    journal.write_text("\n".join(["time,action,part", *rows]), encoding="utf-8")
    result = judged(folder, journal)
    assert len(result.incidents) == 6
    assert result.conclusion.named == ()
