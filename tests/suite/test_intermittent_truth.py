"""Simulated hours with an intermittent dropout, from frames to what is said of them; more of it in benchmarks."""

from functools import lru_cache

import pytest

from busdoc.intermittent.groups_evidence import CauseKind
from busdoc.intermittent.intermittent import Intermittent
from tests.truth.by_chance.intermittent import IntermittentRun, TrueCause, intermittent_run
from tests.truth.intermittent_analysis import analyse, analyse_frames


@lru_cache(maxsize=4)
def looked_into(cause: TrueCause, seed: int, hours: float) -> tuple[IntermittentRun, Intermittent]:
    one = intermittent_run(cause, seed, hours=hours, n_controllers=8)
    found = analyse_frames(one).intermittent
    assert found is not None
    return one, found


def test_an_event_that_makes_dropouts_is_said_first() -> None:
    one, found = looked_into(TrueCause.EVENT, 3, 0.5)
    assert found.findings[0].signal == one.signals[0]
    assert found.groups[0].likeliest.kind is CauseKind.CONTROLLER


def test_a_sag_that_makes_dropouts_is_said_first_and_sends_the_meter_to_the_pins() -> None:
    one, found = looked_into(TrueCause.SAG, 3, 0.5)
    assert found.findings[0].signal == one.signals[0]
    assert any("engine cranking" in advice.words for advice in found.advice)


@pytest.mark.parametrize("cause", [TrueCause.FEED, TrueCause.SEGMENT])
def test_the_common_feed_or_segment_is_on_top(cause: TrueCause) -> None:
    one, found = looked_into(cause, 4, 0.5)
    together = [group for group in found.groups if len(group.controllers) > 1]
    assert together[0].likeliest.part == one.part


def test_nothing_is_said_where_nothing_goes_before() -> None:
    _, found = looked_into(TrueCause.NOTHING, 20_002, 0.5)
    assert found.findings == ()
    assert found.tried.kinds > 200
    assert found.tried.signals > 70


def test_a_capture_in_a_file_says_the_same_as_its_frames(tmp_path_factory: pytest.TempPathFactory) -> None:
    one, found = looked_into(TrueCause.EVENT, 3, 0.5)
    from_file = analyse(one, tmp_path_factory.mktemp("hours")).intermittent
    assert from_file is not None
    assert [finding.words for finding in from_file.findings] == [finding.words for finding in found.findings]
