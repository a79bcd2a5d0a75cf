"""What is said of a part that was replaced, and after which the trouble came again."""

import pytest

from busdoc.isolation.conclusion import Conclusion, State
from busdoc.isolation.verdict import Repair, Suspect
from busdoc.report.words.conclusion import conclusion_in_words

NS = 1_000_000_000
BESIDE = Suspect(part="harness-A", probability=0.3, cleared=False, why=())


@pytest.mark.parametrize(
    ("named", "said"),
    [
        ((), "it was not that, or not only that."),
        (
            (Suspect(part="gate-angle", probability=0.96, cleared=False, why=()),),
            "it was that (96 %), and not only that.",
        ),
    ],
)
def test_it_is_not_called_at_fault_beside_that_it_was_not_that(named: tuple[Suspect, ...], said: str) -> None:
    repair = Repair(part="gate-angle", action=3, at_ns=100 * NS, came_back_ns=143 * NS, quiet_ns=43 * NS)
    told = Conclusion(state=State.CAME_BACK, named=named, suspects=(BESIDE,), repairs=(repair,))
    assert conclusion_in_words(told) == (
        f"It came back 43 s after gate-angle was replaced: {said}",
        "Suspects: harness-A 30 %.",
    )


def test_another_part_that_is_named_stays_so() -> None:
    repair = Repair(part="gate-angle", action=3, at_ns=100 * NS, came_back_ns=143 * NS, quiet_ns=43 * NS)
    other = Suspect(part="tilt-angle", probability=0.97, cleared=False, why=())
    told = Conclusion(state=State.CAME_BACK, named=(other,), repairs=(repair,))
    assert conclusion_in_words(told)[1] == "Part at fault: tilt-angle (97 %)."
