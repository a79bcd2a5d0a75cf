"""The command that fits the engine's constants: does it set what it says, everywhere, and put it back?"""

import math

import pytest

from busdoc.isolation.suspects import evidence, press_timing
from tests.truth.calibration import judge
from tests.truth.constants import constant_set_to
from tests.truth.isolation_sessions import SessionKind, live_through


def test_a_constant_changes_wherever_it_is_used_and_comes_back() -> None:
    held = (vars(press_timing), vars(evidence))  # the one makes it, the other imports it
    before = press_timing.SPARED
    with constant_set_to("suspects.press_timing.SPARED", "0.4"):
        assert [names["SPARED"] for names in held] == [0.4, 0.4]
    assert [names["SPARED"] for names in held] == [before, before]


def test_what_was_worked_out_from_a_constant_is_worked_out_anew() -> None:
    before = press_timing.lateness_weights().copy()
    with constant_set_to("suspects.press_timing._MEAN_LAG", "1.1"):
        assert press_timing.lateness_weights() != pytest.approx(before)
    assert press_timing.lateness_weights() == pytest.approx(before)


@pytest.mark.parametrize(("name", "text"), [("suspects.evidence._DUOBT", "0.1"), ("suspects.evidence._DOUBT", "'a'")])
def test_what_is_no_constant_or_no_value_of_its_kind_is_refused(name: str, text: str) -> None:
    with pytest.raises(ValueError, match="expected a"), constant_set_to(name, text):
        pass


def test_the_score_is_the_logarithm_of_everything_that_was_said() -> None:
    judged = judge(live_through(SessionKind.FEED, 50_003))
    said = {s.part: s.probability for s in judged.verdict.suspects}
    by_hand = sum(math.log(max(p if part in judged.guilty else 1.0 - p, 1e-6)) for part, p in said.items())
    assert judged.score == pytest.approx(by_hand)
