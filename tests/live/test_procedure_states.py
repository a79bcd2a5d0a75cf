"""The procedure at the machine, state by state: what each thing that can happen does in each state, all of them.

The picture is written down by hand from what a technician is promised (docs/isolation-live.md): a test that is begun
stays, one that is watched ends with a fall or its time, a hand on something else ends both test and wait.
"""

from collections.abc import Callable
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.actions.action import Action, ActionKind
from busdoc.isolation.verdict import NextTest, Step
from busdoc.live.procedure import STAGES, WAITS, Event, Procedure, Stage, Wait

S = 10**9
PLUG = Action(n=1, time_ns=100 * S, uncertainty_ns=S, kind=ActionKind.PLUG, part="A")
CYCLE = Action(n=2, time_ns=110 * S, uncertainty_ns=S, kind=ActionKind.POWER_ON, part=None)
OTHER = Action(n=3, time_ns=115 * S, uncertainty_ns=S, kind=ActionKind.UNPLUG, part="C")
MARK = Action(n=4, time_ns=115 * S, uncertainty_ns=S, kind=ActionKind.MARK, part=None)


def asked(*steps: Step, watch_s: int = 20, clear_s: int = 600) -> NextTest:
    return NextTest(steps=steps, watch_ns=watch_s * S, gain_bits=1.0, effort_s=60.0, tells="…", clear_ns=clear_s * S)


BOTH = asked(Step(action=ActionKind.PLUG, part="A"), Step(action=ActionKind.POWER_ON, part=None))
ANOTHER = asked(Step(action=ActionKind.PLUG, part="B"))
STARTS: dict[str, tuple[Callable[[Procedure], object], ...]] = {
    "none off": (),
    "none on": (
        lambda c: c.propose([BOTH]),
        lambda c: c.did(PLUG),
        lambda c: c.did(CYCLE),
        lambda c: c.tick(131 * S),
    ),
    "offered off": (lambda c: c.propose([BOTH]),),
    "offered on": (
        lambda c: c.propose([BOTH]),
        lambda c: c.did(PLUG),
        lambda c: c.did(CYCLE),
        lambda c: c.tick(131 * S),
        lambda c: c.propose([BOTH]),
    ),
    "begun off": (lambda c: c.propose([BOTH]), lambda c: c.did(PLUG)),
    "watched on": (lambda c: c.propose([BOTH]), lambda c: c.did(PLUG), lambda c: c.did(CYCLE)),
    "watched off": (
        lambda c: c.propose([asked(clear_s=5)]),
        lambda c: c.start_watch(112 * S),
        lambda c: c.tick(118 * S),
    ),
}
HAPPENS: dict[str, Callable[[Procedure], object]] = {
    "another is offered": lambda c: c.propose([ANOTHER]),
    "none is offered": lambda c: c.propose([]),
    "time alone offers another": lambda c: c.propose([ANOTHER], anew=False),
    "its first step": lambda c: c.did(PLUG),
    "its second step": lambda c: c.did(CYCLE),
    "another step": lambda c: c.did(OTHER),
    "a mark": lambda c: c.did(MARK),
    "first taken back": lambda c: c.undid(PLUG),
    "second taken back": lambda c: c.undid(CYCLE),
    "a fall": lambda c: c.fell(120 * S),
    "time": lambda c: c.tick(135 * S),
    "much time": lambda c: c.tick(800 * S),
}
AFTER = """
none off     another is offered: offered off, time alone offers another: offered off
none on      another is offered: offered on, time alone offers another: offered on,
             its first step: none off, its second step: none off, another step: none off, a fall: none off,
             much time: none off
offered off  none is offered: none off, its first step: begun off, its second step: none off, another step: none off
offered on   none is offered: none on, its first step: begun off, its second step: none off, another step: none off,
             a fall: none off, much time: offered off
begun off    its first step: none off, its second step: watched on, another step: none off,
             first taken back: offered off
watched on   its first step: none off, its second step: none off, another step: none off,
             second taken back: begun off, a fall: none off, time: none on, much time: none off
watched off  its first step: none off, its second step: none off, another step: none off, time: none off,
             much time: none off
"""
"""What each state becomes; what is not listed stays as it is."""


def expected() -> dict[tuple[str, str], str]:
    found, state = {}, ""
    for line in AFTER.strip().splitlines():
        state = line[:13].strip() or state
        for cell in line[13:].rstrip(",").split(", "):
            happens, after = cell.split(": ")
            found[state, happens] = after
    return found


def begun(state: str) -> Procedure:
    procedure = Procedure()
    for do in STARTS[state]:
        do(procedure)
    assert f"{procedure.stage} {procedure.wait}" == state
    return procedure


@pytest.mark.parametrize(("state", "happens"), list(product(STARTS, HAPPENS)))
def test_each_thing_that_can_happen_does_in_each_state_what_the_picture_says(state: str, happens: str) -> None:
    procedure = begun(state)
    HAPPENS[happens](procedure)
    assert f"{procedure.stage} {procedure.wait}" == expected().get((state, happens), state)


def test_the_picture_speaks_of_states_and_happenings_that_there_are() -> None:
    assert {state for state, _ in expected()} == set(STARTS)
    assert {happens for _, happens in expected()} <= set(HAPPENS)


def test_every_state_is_left_and_reached_and_every_event_heard_somewhere() -> None:
    assert set(STAGES) == set(Stage)
    assert set(WAITS) == set(Wait)
    assert {after for row in STAGES.values() for after in row.values()} == set(Stage)
    assert {event for row in (*STAGES.values(), *WAITS.values()) for event in row} == set(Event)


@pytest.mark.parametrize("state", STARTS)
def test_whoever_wants_another_test_gets_it_in_every_state(state: str) -> None:
    procedure = begun(state)
    wait = procedure.wait
    procedure.propose([BOTH, ANOTHER])
    before = procedure.row({})
    procedure.skip()
    after = procedure.row({})
    assert after is not None
    assert (procedure.stage, after.step) == (Stage.OFFERED, 0)
    assert before is None or after.test.steps != before.test.steps
    assert procedure.wait is wait


@given(st.lists(st.sampled_from(sorted(HAPPENS)), max_size=30))
def test_whatever_happens_the_screen_shows_a_test_whenever_there_is_one(walk: list[str]) -> None:
    procedure = Procedure()
    for happens in walk:
        HAPPENS[happens](procedure)
        row = procedure.row({})
        assert (row is None) == (procedure.stage is Stage.NONE)
        assert (procedure.watching(900 * S) is None) == (procedure.wait is Wait.OFF)
        if row is not None:
            done = {Stage.OFFERED: row.step == 0, Stage.WATCHED: row.step == len(row.test.steps)}
            assert done.get(procedure.stage, 0 < row.step < len(row.test.steps))
