"""Thirty simulated sessions of every kind of fault, held against their truth.

Each is analysed twice: with the machine's map, and with nothing but the capture and the journal.
"""

import pytest

from busdoc.health.presence.watch import HealthWatch
from busdoc.isolation.suspects.attribution import attribute
from busdoc.machine.machine import Machine
from busdoc.simulation.run import Run
from tests.suite.score import Score, score
from tests.truth.by_chance.random_session import SessionKind, random_session

SEEDS = range(5)


def analyse(run: Run, label: str, *, with_map: bool) -> Score:
    specs = [controller.spec for controller in run.machine.controllers.values()] if with_map else []
    watch = HealthWatch(specs, complete=with_map)
    for block in run.blocks:
        watch.feed(block)
    health = watch.close(run.until_ns)
    because = attribute(health, run.actions, run.machine if with_map else Machine())
    return score(run, health, because, label)


@pytest.fixture(scope="module")
def scores() -> dict[str, Score]:
    """All sessions, analysed with their map and with nothing."""
    totals = {"map": Score(), "nothing": Score()}
    for kind in SessionKind:
        for seed in SEEDS:
            run = random_session(kind, seed)
            for how, total in totals.items():
                total += analyse(run, f"{kind} {seed}", with_map=how == "map")
    return totals


HOW = pytest.mark.parametrize("how", ["map", "nothing"])


@HOW
def test_every_long_silence_is_found_and_none_is_invented(scores: dict[str, Score], how: str) -> None:
    total = scores[how]
    assert total.due > 375
    assert (total.found, total.invented) == (total.due, 0), str(total)


@HOW
def test_every_onset_is_right_within_one_period_of_the_fastest_stream(scores: dict[str, Score], how: str) -> None:
    assert scores[how].onset_right == scores[how].found, str(scores[how])


@HOW
def test_restarted_or_kept_running_is_answered_and_right(scores: dict[str, Score], how: str) -> None:
    total = scores[how]
    assert total.ran_on_right >= 0.95 * total.ran_on_given, str(total)
    assert total.ran_on_given > 0.9 * total.ran_on_asked, str(total)


@HOW
def test_the_action_that_did_it_is_named(scores: dict[str, Score], how: str) -> None:
    total = scores[how]
    assert total.caused > 28
    assert total.caused_right >= 0.95 * total.caused, str(total)


@HOW
def test_no_action_is_blamed_for_what_none_did(scores: dict[str, Score], how: str) -> None:
    total = scores[how]
    assert total.uncaused > 100
    assert total.uncaused_right >= 0.95 * total.uncaused, str(total)
