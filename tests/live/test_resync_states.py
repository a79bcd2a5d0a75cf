"""A return that is followed and a cure that is watched, state by state: what each event does in each, all of them.

The pictures are written down by hand from what docs/resync.md promises: all home settles, one that falls again must
come home again, a power-up that is not followed yet is counted anew, and a verdict stands.
"""

from itertools import permutations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.isolation.proposals.cure import CureOutcome
from busdoc.live.resync.cure_watch import OUTCOMES, CureEvent, outcome_after
from busdoc.live.resync.stages import STAGES, ReturnEvent, Stage, stage_after

RETURN = """
            silence    power-up  one away  all home  settled   time up  end
listening   silent     coming    =         =         =         =        done
silent      =          coming    =         =         =         =        done
coming      =          =         =         settling  =         done     done
settling    =          coming    coming    =         done      done     done
done        =          =         =         =         =         =        =
"""
CURE = """
            shows      incident   missing   quiet enough  broken off
watching    shows      incident   missing   cured         cut short
cured       =          =          =         =             =
shows       =          =          =         =             =
incident    =          =          =         =             =
missing     =          =          =         =             =
cut short   =          =          =         =             =
"""


def cells(picture: str) -> dict[tuple[str, str], str]:
    """Read a picture: rows are states, columns events, and an equals sign says that the state stays."""
    head, *rows = (line.split("  ") for line in picture.strip("\n").splitlines())
    events = [word.strip() for word in head if word.strip()]
    found: dict[tuple[str, str], str] = {}
    for row in rows:
        state, *after = (word.strip() for word in row if word.strip())
        found |= {(state, event): state if to == "=" else to for event, to in zip(events, after, strict=True)}
    return found


@pytest.mark.parametrize(("stage", "event"), list(product(Stage, ReturnEvent)))
def test_a_return_goes_on_as_the_picture_says(stage: Stage, event: ReturnEvent) -> None:
    assert stage_after(stage, event) == cells(RETURN)[stage, event]


@pytest.mark.parametrize(("outcome", "event"), list(product(CureOutcome, CureEvent)))
def test_a_watched_cure_ends_as_the_picture_says(outcome: CureOutcome, event: CureEvent) -> None:
    assert outcome_after(outcome, [event]) == cells(CURE)[outcome, event]


def test_the_pictures_hold_every_state_and_event_and_no_other() -> None:
    assert set(cells(RETURN)) == set(product(Stage, ReturnEvent))
    assert set(cells(CURE)) == set(product(CureOutcome, CureEvent))
    assert (set(STAGES), set(OUTCOMES)) == (set(Stage), set(CureOutcome))


@given(st.lists(st.sampled_from(ReturnEvent), max_size=12))
def test_no_verdict_on_a_return_before_there_was_one_to_follow(walk: list[ReturnEvent]) -> None:
    stage = Stage.LISTENING
    for event in walk:
        stage = stage_after(stage, event)
    ended = ReturnEvent.END in walk
    assert stage is not Stage.DONE or ended or ReturnEvent.POWER_UP in walk


@pytest.mark.parametrize("events", list(permutations(CureEvent)))
def test_of_several_things_that_settle_a_cure_the_first_does(events: tuple[CureEvent, ...]) -> None:
    assert outcome_after(CureOutcome.WATCHING, events) is outcome_after(CureOutcome.WATCHING, events[:1])
