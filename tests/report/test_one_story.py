"""Every section tells the same story: a fixed sample of sessions, read by every rule.

More of them, and of other seeds, are read by ``python -m benchmarks.consistency``.
"""

import pytest

from busdoc.report.json.document import document
from tests.truth.code_sessions import Showing
from tests.truth.consistency import RULES, breaches
from tests.truth.isolation_sessions import SessionKind
from tests.truth.told_sessions import Twist, tell_session, tell_symptom

SAMPLE = [
    (SessionKind.HARD_BRANCH, 3_000_008, Twist.PROVED),
    (SessionKind.TWO_FAULTS, 3_000_010, Twist.PROVED),
    (SessionKind.INTERMITTENT_BRANCH, 3_000_017, Twist.AHEAD),
    (SessionKind.FEED, 3_000_020, Twist.AHEAD),
    (SessionKind.DEAD, 3_000_031, Twist.ZONE),
    (SessionKind.CONTROLLER, 3_000_035, Twist.NO_JOURNAL),
    (SessionKind.SEGMENT, 3_000_045, Twist.NO_MAP),
    (SessionKind.DEAD, 3_000_055, Twist.ONE_FEED),
    (SessionKind.SPONTANEOUS, 3_000_006, Twist.PLAIN),
    (SessionKind.HARD_BRANCH, 4_100_156, Twist.PLAIN),  # restarts over and over, two of them as it was plugged in
    (SessionKind.HARD_BRANCH, 4_700_088, Twist.NO_JOURNAL),  # the same, and falls apart from them
    (SessionKind.CONTROLLER, 5_710_283, Twist.PLAIN),  # a test after which the same one stays the likeliest
    (SessionKind.HARD_BRANCH, 5_700_232, Twist.PROVED),  # a suspect that was in place each time, and no more
    (SessionKind.FEED, 5_730_164, Twist.ONE_FEED),  # one dropout, which the likely part did not make
]


@pytest.mark.parametrize(("kind", "seed", "twist"), SAMPLE)
def test_no_two_sections_contradict_each_other(kind: SessionKind, seed: int, twist: Twist) -> None:
    assert breaches(tell_session(kind, seed, twist)) == []


@pytest.mark.parametrize(
    ("showing", "twist"),
    [(Showing.LATCHED, Twist.PLAIN), (Showing.TWO_CODES, Twist.NO_MAP), (Showing.NO_BUS, Twist.PLAIN)],
)
def test_nor_do_they_where_something_else_shows_than_a_dropout(showing: Showing, twist: Twist) -> None:
    told = tell_symptom(showing, 6_000_010, twist)
    assert told.tree["complaint"] is not None
    assert breaches(told) == []


def test_the_rules_find_what_they_are_for() -> None:
    told = tell_session(SessionKind.HARD_BRANCH, 3_000_000)
    told.tree["conclusion"]["to_prove_s"] = 1e6
    told.tree["suspects"][0]["probability"] = 1.0000000000000007
    found = {rule for rule, _ in breaches(told)}
    assert {"one_duration_of_quiet", "probabilities_are_probabilities"} <= found
    assert len(RULES) >= 15


def test_the_document_carries_the_conclusion_that_the_result_has() -> None:
    result = tell_session(SessionKind.HARD_BRANCH, 3_000_008, Twist.PROVED).result
    assert document(result)["conclusion"]["state"] == result.conclusion.state
