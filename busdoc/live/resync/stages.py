"""How far a return that is followed live has come, as a table of what follows what.

An event that a stage does not list changes nothing in it. `DONE` lists none: the verdict stands, whatever comes.
"""

from collections.abc import Mapping
from enum import StrEnum

__all__ = ["STAGES", "ReturnEvent", "Stage", "stage_after"]


class Stage(StrEnum):
    """How far it has come."""

    LISTENING = "listening"
    """The machine is on, and has not been switched off yet; or nobody has been heard so far."""
    SILENT = "silent"
    COMING = "coming"
    SETTLING = "settling"
    """All are in step; nobody may restart or raise a code for a while."""
    DONE = "done"


class ReturnEvent(StrEnum):
    """What is seen of the machine."""

    SILENCE = "silence"
    """Nobody is heard, or nobody was until this frame."""
    POWER_UP = "power-up"
    """A power-up that was not followed yet."""
    ONE_AWAY = "one away"
    """Not all are in step."""
    ALL_HOME = "all home"
    SETTLED = "settled"
    """All were in step for as long as it takes."""
    TIME_UP = "time up"
    """The time limit passed before all were in step."""
    END = "end"
    """The recording is over."""


STAGES: Mapping[Stage, Mapping[ReturnEvent, Stage]] = {
    Stage.LISTENING: {
        ReturnEvent.SILENCE: Stage.SILENT,
        ReturnEvent.POWER_UP: Stage.COMING,
        ReturnEvent.END: Stage.DONE,
    },
    Stage.SILENT: {ReturnEvent.POWER_UP: Stage.COMING, ReturnEvent.END: Stage.DONE},
    Stage.COMING: {
        ReturnEvent.POWER_UP: Stage.COMING,  # off and on again: counting anew
        ReturnEvent.ALL_HOME: Stage.SETTLING,
        ReturnEvent.TIME_UP: Stage.DONE,
        ReturnEvent.END: Stage.DONE,
    },
    Stage.SETTLING: {
        ReturnEvent.POWER_UP: Stage.COMING,
        ReturnEvent.ONE_AWAY: Stage.COMING,  # one restarted: it must come home again
        ReturnEvent.SETTLED: Stage.DONE,
        ReturnEvent.TIME_UP: Stage.DONE,
        ReturnEvent.END: Stage.DONE,
    },
    Stage.DONE: {},
}


def stage_after(stage: Stage, event: ReturnEvent) -> Stage:
    """Give the stage that an event leads to.

    >>> stage_after(Stage.SETTLING, ReturnEvent.ONE_AWAY)
    <Stage.COMING: 'coming'>
    >>> stage_after(Stage.LISTENING, ReturnEvent.ALL_HOME)
    <Stage.LISTENING: 'listening'>
    """
    return STAGES[stage].get(event, stage)
