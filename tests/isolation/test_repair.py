"""After the culprit was replaced nobody is sent to unplug it again."""

from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result

SWEEPER = Path(__file__).parents[2] / "captures" / "street_sweeper"


def verdict_without(tmp_path: Path, *left_out: str) -> Result:
    """Run the sweeper's session with lines of its journal left out."""
    lines = (SWEEPER / "actions.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not any(word in line for word in left_out)]
    assert len(kept) < len(lines) or not left_out
    (tmp_path / "actions.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return postmortem(
        [SWEEPER / "capture.log.gz"], machine_file=SWEEPER / "machine.toml", journal_file=tmp_path / "actions.csv"
    )


def test_a_replaced_culprit_that_stayed_quiet_long_enough_leaves_nothing_to_test(tmp_path: Path) -> None:
    isolation = verdict_without(tmp_path).isolation
    assert isolation is not None
    assert isolation.suspects[0].part == "gate-angle"
    assert isolation.next_tests == ()


@pytest.mark.parametrize("word", ["replace"])
def test_without_the_replacement_there_is_more_to_do(tmp_path: Path, word: str) -> None:
    isolation = verdict_without(tmp_path, word).isolation
    assert isolation is not None
    assert any(step.action is not ActionKind.MARK for test in isolation.next_tests for step in test.steps)
