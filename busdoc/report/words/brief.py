"""The short page in words: what the desk reads first, and decides by; the same lines on terminal, page and paper."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from busdoc.actions.action import REMARKS, ActionKind
from busdoc.actions.words import done_in_words
from busdoc.analysis.overview import worth_making
from busdoc.analysis.result import Result
from busdoc.analysis.unheard import has_looks
from busdoc.isolation.conclusion import State
from busdoc.isolation.verdict import NextTest, Step
from busdoc.report.words.conclusion import proof_in_words, state_in_words
from busdoc.report.words.headline import headline
from busdoc.report.words.next_test import next_test_in_words
from busdoc.times import clock, wall_time, zone_words
from busdoc.words.counting import counted, times
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = ["Brief", "brief_of"]

_MOST_REASONS = 6
_WIRES_FIRST = "First its plug and supply wires, which the map does not tell from it: clean, seated, under load."


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """The short page."""

    machine: str
    """Which machine, when, for how long."""
    state: str
    """Where the search stands, in a few words."""
    found: str
    """The verdict in a sentence or two."""
    why: tuple[str, ...]
    """What speaks for the part, the weightiest first; empty where none is spoken of."""
    done: str
    """What was done to the machine, in a sentence; empty: nothing that is written down."""
    next_step: str
    """What to do next, and how it is proved; empty: nothing."""
    cautions: tuple[str, ...]
    """That belong to the next step, whole."""
    warning: str
    """What makes the data doubtful before all else; empty: nothing."""


def brief_of(result: Result) -> Brief:
    """Pick out and word what stands on the short page."""
    tests = _first_test(result)
    return Brief(
        machine=_machine(result),
        state=state_in_words(result.conclusion.state),
        found=headline(result),
        why=tuple(_why(result)),
        done=_done(result),
        next_step=" ".join(_next(result, tests)),
        cautions=tests[0].cautions if tests else (),
        warning=result.warnings[0] if result.warnings else "",
    )


def _machine(result: Result) -> str:
    health, epoch = result.health, result.capture.epoch
    length = duration(health.until_ns - health.start_ns)
    heard = sum(one.first_ns is not None for one in result.health.controllers)
    looked = not result.health.controllers and not result.health.frames and has_looks(result.actions)
    who = "without a bus" if looked else counted(heard, "controller")
    machine = result.machine
    unnamed = "A machine without a name" if machine.controllers or machine.parts or machine.buses else "No machine map"
    name = machine.name or unnamed
    if not epoch:
        return f"{name}: {who}, {length}; times count from the capture's own zero."
    start_ns = health.start_ns
    return f"{name}: {who}, {length} from {wall_time(start_ns):%Y-%m-%d %H:%M:%S} {zone_words(start_ns)}."


def _why(result: Result) -> Iterator[str]:
    """Give the reasons for what is named, or was; else for the likeliest."""
    conclusion = result.conclusion
    about = conclusion.named or conclusion.suspects[:2]
    left = _MOST_REASONS
    for one in about[:2]:
        for reason in one.why[: left if len(about) == 1 else 3]:
            if left:
                yield f"{one.part}: {reason}."
                left -= 1


def _done(result: Result) -> str:
    """Count what hands did, and name what was replaced."""
    acts = [action for action in result.actions if action.kind not in REMARKS]
    if not acts:
        return ""
    health, epoch = result.health, result.capture.epoch
    fitted = [action for action in acts if action.kind is ActionKind.REPLACE][-2:]
    last = acts[-1]
    told = fitted or [last]
    said = "; ".join(f"{done_in_words(one)} at {clock(one.time_ns, health.start_ns, epoch=epoch)}" for one in told)
    which = "" if fitted else "last, "
    if len(acts) == len(told):
        return f"{capital(said)}."
    plugs = sum(one.kind in (ActionKind.PLUG, ActionKind.UNPLUG) for one in acts)
    moved = f" (plugs moved {times(plugs)})" if plugs else ""
    return f"{capital(counted(len(acts), 'action'))} written down{moved}; {which}{said}."


def _first_test(result: Result) -> Sequence[NextTest]:
    """Give the test to make next, if there is one."""
    if result.conclusion.state in (State.HEALTHY, State.PROVED) or result.isolation is None:
        return ()
    return worth_making(result.isolation, 1)


def _stands_for_its_wires(result: Result, step: Step) -> bool:
    """Whether a controller is to be replaced whose plug and supply wires no part of the map stands for."""
    machine = result.machine
    if step.action is not ActionKind.REPLACE or step.part not in machine.controllers:
        return False
    return not any(machine.controllers_below(one) == (step.part,) for one in machine.parts if one != step.part)


def _next(result: Result, tests: Sequence[NextTest]) -> Iterator[str]:
    conclusion = result.conclusion
    if conclusion.state in (State.HEALTHY, State.PROVED) or result.isolation is None:
        return
    if tests:
        if any(_stands_for_its_wires(result, step) for step in tests[0].steps):
            yield _WIRES_FIRST
        yield next_test_in_words(tests[0])
    elif result.intermittent is not None and result.intermittent.advice:
        yield result.intermittent.advice[0].words
    waits = proof_in_words(conclusion)
    if waits is not None and tests:
        yield waits
