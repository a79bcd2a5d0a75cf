"""The end of the job: all goes back before a repair is proved, and a dead controller is looked at where it can be dead.

Takes the tests that the engine proposes and what is plugged; gives them as they are done at the machine. Nothing is
judged here.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.plugged import PlugState
from busdoc.isolation.proposals.proof import POWER_OFF_FIRST
from busdoc.isolation.verdict import NextTest, Step
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["all_back_steps", "dead_controller_tests", "with_all_back"]

_COMES_BACK_NS = 15 * SECOND_NS
"""A controller that has power and bus is there by then (common practice: one to ten seconds)."""
_REPLACE_S = 300.0
_LOOK_S = 60.0


def all_back_steps(state: PlugState, first: PlugState) -> tuple[Step, ...]:
    """Say what is to be plugged in, and switched on, until all is as it was at the start."""
    out = [part for part in state.place_of if part in state.unplugged - first.unplugged]
    out += sorted(state.unplugged - first.unplugged - set(out))
    steps = [Step(action=ActionKind.PLUG, part=part, into=state.place_of.get(part)) for part in out]
    steps = [replace(step, into=None) if (step.part or "") in state.machine else step for step in steps]
    steps += [Step(action=ActionKind.POWER_ON, part=feed) for feed in sorted(state.switched_off - first.switched_off)]
    return tuple(steps)


def with_all_back(test: NextTest, state: PlugState, first: PlugState) -> NextTest:
    """Have all that is out plugged in before a repair is proved: with a part out its fault could not show.

    A test that only watches gets the steps that are missing; one that replaces something gets them before its power is
    switched on.
    """
    if not test.proof:
        return test
    back = tuple(step for step in all_back_steps(state, first) if step not in test.steps)
    on = Step(action=ActionKind.POWER_ON, part=None)
    if not test.steps:
        if back and state.main_on:
            steps = (Step(action=ActionKind.POWER_OFF, part=None), *back, on)
        else:
            steps = back if state.main_on else (*back, on)
        return replace(test, steps=steps)
    last = next((k for k, step in enumerate(test.steps) if step.action is ActionKind.POWER_ON), len(test.steps))
    return replace(test, steps=(*test.steps[:last], *back, *test.steps[last:]))


def dead_controller_tests(
    machine: Machine, state: PlugState, actions: Sequence[Action], controller: str, since_ns: int
) -> tuple[NextTest, ...]:
    """Give what is to be looked at where a controller stays away: its plug, its feed, its bus leg, then itself.

    The order is that of how often each is it and of what it costs to look (common practice). What was done since the
    controller is away is left out.

    Parameters
    ----------
    controller : that stays away though it has power, as logged
    since_ns : since when
    """
    known = machine.controllers.get(controller)
    if known is None:
        return ()
    done = {(action.kind, action.part) for action in actions if action.time_ns >= since_ns}
    off, on = (Step(action=kind, part=None) for kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON))
    tests: list[NextTest] = []

    def look(moves: Sequence[Step], tells: str, effort_s: float) -> None:
        if (moves[-1].action, moves[-1].part) not in done:
            before, after = ((off,) if state.main_on else ()), (on,)
            tests.append(
                NextTest(
                    steps=(*before, *moves, *after),
                    watch_ns=_COMES_BACK_NS,
                    gain_bits=0.0,
                    effort_s=effort_s,
                    tells=tells,
                    cautions=(*machine.cautions, POWER_OFF_FIRST),
                )
            )

    def taken_out(part: str) -> tuple[Step, Step]:
        return Step(action=ActionKind.UNPLUG, part=part), Step(action=ActionKind.PLUG, part=part)

    look(taken_out(controller), f"Back: it was the plug of {controller}; look for bent or green pins.", _LOOK_S)
    if known.feed is not None:
        look(taken_out(known.feed), f"Back: it was {known.feed}. Measure at the plug that it feeds.", _LOOK_S)
    if known.segment is not None:
        look(taken_out(known.segment), f"Back: it was the bus leg of {controller}.", _LOOK_S)
    itself = Step(action=ActionKind.REPLACE, part=controller)
    look((itself,), f"Back: it was {controller} itself. Not back: its plug, feed or bus leg after all.", _REPLACE_S)
    return tuple(tests)
