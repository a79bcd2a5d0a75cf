"""The procedure at the machine: which test is proposed, which step of it is next, and what is being waited for.

The engine proposes anew with every frame; a person in the middle of a test must not see the ground move. So a test is
kept from its first step until its watch is over, something falls, or something else is done. How long to watch is the
test's; how long until what it exposes may be called clear is often far longer, and is counted on beside the next test.

These are two small machines that hear the same events: the test (`STAGES`) and the wait (`WAITS`). An event that a
state does not list changes nothing in it: that a test which was begun is not taken from under the hands is the absence
of `OFFER` from the row `BEGUN`. What happened is read into an event before the tables are asked, once, in the method
that is told of it; there are no rules about the order of events beside the tables.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import StrEnum

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.actions.words import order_in_words
from busdoc.isolation.suspects.rates import SHORTEST_QUIET_S
from busdoc.isolation.verdict import NextTest, Step
from busdoc.live.view import NextRow, Watching
from busdoc.times import SECOND_NS
from busdoc.words.sentence import capital

__all__ = ["HOLD_NS", "STAGES", "WAITS", "Event", "Procedure", "Stage", "Wait", "in_stages"]

HOLD_NS = 10 * SECOND_NS
"""So long the power is left off in a cycle: capacitors empty, and what latched forgets (common practice)."""
_LATE_NS = 3 * SECOND_NS
"""A fall this long before the press of the last step belongs to its watch: people press after they plug."""
_LEFT_AFTER_NS = round(SHORTEST_QUIET_S * SECOND_NS)
"""A watch is not left earlier: less quiet decides nothing."""
_WORTH = 2.0
"""A watch is left for a test that tells so many times as much for its time as watching on: less is no gain once hands
and the way are counted (by definition of 'clearly more')."""


class Stage(StrEnum):
    """How far a test has come."""

    NONE = "none"
    """No test is proposed."""
    OFFERED = "offered"
    """None of its steps is done."""
    BEGUN = "begun"
    WATCHED = "watched"
    """All steps are done; it is seen whether anything falls."""


class Wait(StrEnum):
    """Whether something counts towards being called clear."""

    OFF = "off"
    ON = "on"


class Event(StrEnum):
    """What the procedure hears of."""

    OFFER = "offer"
    """The engine has a test to propose."""
    WITHDRAW = "withdraw"
    """The engine has none any more."""
    SKIP = "skip"
    """The person wants another one."""
    STEP = "step"
    """The step asked for was done, and there are more."""
    LAST_STEP = "last step"
    NO_STEPS = "no steps"
    """The test asks for nothing but to watch."""
    OTHER = "other"
    """Something was done that no step asks for, and that changes what is plugged or powered."""
    BACK = "back"
    """The last step that was done was taken back, and steps before it stay done."""
    BACK_TO_FIRST = "back to first"
    FALL = "fall"
    """Something fell for no reason of its own, within the wait."""
    WATCHED_ENOUGH = "watched enough"
    CLEAR = "clear"
    """What was exposed was quiet for so long that it may be called clear."""


STAGES: Mapping[Stage, Mapping[Event, Stage]] = {
    Stage.NONE: {Event.OFFER: Stage.OFFERED},
    Stage.OFFERED: {
        Event.OFFER: Stage.OFFERED,
        Event.WITHDRAW: Stage.NONE,
        Event.SKIP: Stage.NONE,
        Event.STEP: Stage.BEGUN,
        Event.LAST_STEP: Stage.WATCHED,
        Event.NO_STEPS: Stage.WATCHED,
        Event.OTHER: Stage.NONE,
        Event.FALL: Stage.NONE,
    },
    Stage.BEGUN: {
        Event.SKIP: Stage.NONE,
        Event.STEP: Stage.BEGUN,
        Event.LAST_STEP: Stage.WATCHED,
        Event.OTHER: Stage.NONE,
        Event.BACK: Stage.BEGUN,
        Event.BACK_TO_FIRST: Stage.OFFERED,
    },
    Stage.WATCHED: {
        Event.SKIP: Stage.NONE,
        Event.OTHER: Stage.NONE,
        Event.BACK: Stage.BEGUN,
        Event.BACK_TO_FIRST: Stage.OFFERED,
        Event.FALL: Stage.NONE,
        Event.WATCHED_ENOUGH: Stage.NONE,
    },
}
WAITS: Mapping[Wait, Mapping[Event, Wait]] = {
    Wait.OFF: {Event.LAST_STEP: Wait.ON, Event.NO_STEPS: Wait.ON},
    Wait.ON: {
        Event.LAST_STEP: Wait.ON,  # a new one, of what this test exposes
        Event.STEP: Wait.OFF,
        Event.OTHER: Wait.OFF,
        Event.BACK: Wait.OFF,
        Event.BACK_TO_FIRST: Wait.OFF,
        Event.FALL: Wait.OFF,
        Event.CLEAR: Wait.OFF,
    },
}
_STEPS_ON = {Event.STEP: 1, Event.LAST_STEP: 1, Event.BACK: -1, Event.BACK_TO_FIRST: -1}


class Procedure:
    """The test that is on, and how far it has come."""

    def __init__(self) -> None:
        self._stage = Stage.NONE
        self._tests: tuple[NextTest, ...] = ()
        self._skipped: list[tuple[Step, ...]] = []
        self._test: NextTest | None = None
        """None in the stage `NONE` alone."""
        self._step = 0
        """How many of its steps are done."""
        self._done_ns = 0
        """In the stage `WATCHED`: since when."""
        self._now_ns = 0
        self._done: NextTest | None = None
        """The last one all of whose steps were done."""
        self._watch: Watching | None = None
        """None while the wait is off."""

    @property
    def stage(self) -> Stage:
        """How far the test has come."""
        return self._stage

    @property
    def wait(self) -> Wait:
        """Whether something counts towards being called clear."""
        return Wait.OFF if self._watch is None else Wait.ON

    def propose(self, tests: Sequence[NextTest], *, anew: bool = True) -> None:
        """Take the engine's latest tests; the one that is begun goes on, with its latest figures.

        So does one that was only proposed: who walks to the machine with it in mind must not press a key for another
        one that has come out ahead by a hair meanwhile.

        Parameters
        ----------
        anew : something happened or was done since the last proposals; False: only time has passed
        """
        tests = [in_stages(test) for test in tests]
        self._tests = tuple(tests)
        if (
            tests
            and tests[0].proof
            and tests[0].steps
            and self._stage is Stage.WATCHED
            and not _is(self._test, tests[0])
        ):
            self._happens(Event.SKIP)  # the part is named: what was watched for is known
        if (
            self._stage is Stage.WATCHED
            and self._now_ns - self._done_ns >= _LEFT_AFTER_NS
            and _tells_little(self._test, tests)
        ):
            self._happens(Event.SKIP)  # what it was begun for is known meanwhile; the wait to be called clear goes on
        test = self._test
        same = None if test is None else next((one for one in tests if _alike(one, test)), None)
        if test is not None and same is not None:
            self._test = replace(same, steps=test.steps)
        elif anew or test is None or not tests:
            self._offer()

    def skip(self) -> None:
        """Propose another test."""
        if self._test is not None:
            self._skipped.append(self._test.steps)
        self._happens(Event.SKIP)
        self._offer()

    def did(self, action: Action) -> None:
        """Follow an action: the step that was asked for, or something else."""
        step = self.step
        if self._test is not None and action.kind is ActionKind.POWER_CYCLE and self._is_cycle(action.part):
            self._happens(Event.STEP, action.time_ns)
            is_last = self._step + 1 == len(self._test.steps)
            self._happens(Event.LAST_STEP if is_last else Event.STEP, action.time_ns)
        elif self._test is not None and step is not None and _is_step(action, step):
            is_last = self._step + 1 == len(self._test.steps)
            self._happens(Event.LAST_STEP if is_last else Event.STEP, action.time_ns)
        elif action.kind not in (*REMARKS, ActionKind.WIGGLE):
            self._happens(Event.OTHER)

    def undid(self, action: Action) -> None:
        """Follow an action that was taken back: its step is to be done again."""
        if self._test is not None and self._step and _is_step(action, self._test.steps[self._step - 1]):
            self._happens(Event.BACK if self._step > 1 else Event.BACK_TO_FIRST)

    def fell(self, at_ns: int) -> None:
        """Follow a controller that fell for no reason of its own: the watch has its answer."""
        if self._watch is not None and at_ns >= self._watch.since_ns - _LATE_NS:
            self._happens(Event.FALL)

    def tick(self, now_ns: int) -> None:
        """Let time go on: a test that was watched long enough makes room for the next."""
        watch, test = self._watch, self._test
        self._now_ns = now_ns
        if watch is not None and watch.clear_at_ns is not None and now_ns >= watch.clear_at_ns:
            self._happens(Event.CLEAR)
        if self._stage is Stage.WATCHED and test is not None and now_ns >= self._done_ns + test.watch_ns:
            self._happens(Event.WATCHED_ENOUGH)

    def start_watch(self, now_ns: int) -> bool:
        """Begin the watch of a test that has no steps; False when there is nothing to begin."""
        if self._stage is not Stage.OFFERED or self._test is None or self._test.steps:
            return False
        return self._happens(Event.NO_STEPS, now_ns)

    @property
    def step(self) -> Step | None:
        """The step to do now; None when there is none, or only the watch is left."""
        if self._test is None or self._step >= len(self._test.steps):
            return None
        return self._test.steps[self._step]

    def begin_cycle(self, feed: str | None, *, off_ns: int | None = None) -> None:
        """Ask for a supply to be switched off and on again, in two stages, instead of what is proposed.

        Parameters
        ----------
        off_ns : it is off already, since then
        """
        steps = (Step(action=ActionKind.POWER_OFF, part=feed), Step(action=ActionKind.POWER_ON, part=feed))
        self._happens(Event.OTHER)
        tells = "What comes back, and what does not, after its supply was off."
        watch_ns = 10 * SECOND_NS
        self._stage, self._step = Stage.BEGUN, 0 if off_ns is None else 1
        self._done_ns = self._done_ns if off_ns is None else off_ns
        self._test = NextTest(steps=steps, watch_ns=watch_ns, gain_bits=0.0, effort_s=25.0, tells=tells)

    def _is_cycle(self, feed: str | None) -> bool:
        """Whether the next two steps are to switch this off and on again."""
        steps = () if self._test is None else self._test.steps[self._step : self._step + 2]
        kinds = [step.action for step in steps if step.part == feed]
        return kinds == [ActionKind.POWER_OFF, ActionKind.POWER_ON]

    @property
    def hold_until_ns(self) -> int | None:
        """Until when the power has to stay off before the step to do now; None: the step is not to wait."""
        step = self.step
        if self._test is None or step is None or step.action is not ActionKind.POWER_ON or not self._step:
            return None
        before = self._test.steps[self._step - 1]
        return self._done_ns + HOLD_NS if before == Step(action=ActionKind.POWER_OFF, part=step.part) else None

    def row(self, labels: Mapping[str, int]) -> NextRow | None:
        """Give the test as it is shown."""
        if self._test is None:
            return None
        texts = tuple(capital(order_in_words(step.action, step.part, step.into, labels)) for step in self._test.steps)
        return NextRow(test=self._test, step=self._step, steps_text=texts, hold_until_ns=self.hold_until_ns)

    def watching(self, now_ns: int) -> Watching | None:
        """Give the wait that is on; None when there is none."""
        watch = self._watch
        return None if watch is None else replace(watch, since_ns=min(watch.since_ns, now_ns))

    def _happens(self, event: Event, at_ns: int = 0) -> bool:
        """Let both tables hear of an event; False when the test's has no place for it."""
        # The wait first: it needs the test that the event may end.
        wait = WAITS[self.wait].get(event)
        if wait is not None:
            self._watch = None if wait is Wait.OFF or self._test is None else _watch(self._test, at_ns)
        stage = STAGES[self._stage].get(event)
        if stage is None:
            return False
        self._stage = stage
        self._step += _STEPS_ON.get(event, 0)
        self._done_ns = at_ns
        if stage is Stage.WATCHED and self._test is not None and self._test.steps:
            self._done = self._test
        if stage is Stage.NONE:
            self._test, self._step = None, 0
        return True

    def _offer(self) -> None:
        """Propose the best test that was not skipped, where the stage allows it; all were: begin again."""
        if Event.OFFER not in STAGES[self._stage]:
            return
        fresh = [test for test in self._tests if test.steps not in self._skipped]
        if not fresh and self._tests:
            self._skipped.clear()
            fresh = list(self._tests)
        # What was just done has told what it can; unless it is all that is left, it is not asked for again.
        fresh = [test for test in fresh if not test.steps or not _is(self._done, test)] or fresh
        if self._happens(Event.OFFER if fresh else Event.WITHDRAW) and fresh:
            self._test, self._step = fresh[0], 0


def in_stages(test: NextTest) -> NextTest:
    """Ask for a power cycle as what it is, two acts with a wait between them, so that each has its own time."""
    steps: list[Step] = []
    for step in test.steps:
        if step.action is ActionKind.POWER_CYCLE:
            kinds = (ActionKind.POWER_OFF, ActionKind.POWER_ON)
            steps += [Step(action=kind, part=step.part) for kind in kinds]
        else:
            steps.append(step)
    return replace(test, steps=tuple(steps))


def _is(one: NextTest | None, other: NextTest) -> bool:
    return one is not None and _alike(one, other)


def _alike(one: NextTest, other: NextTest) -> bool:
    """Whether two tests ask for the same things, in whatever order."""
    return sorted(map(str, one.steps)) == sorted(map(str, other.steps))


def _tells_little(test: NextTest | None, tests: Sequence[NextTest]) -> bool:
    """Whether to watch on tells clearly less, for its time, than the best that could be done instead.

    Parameters
    ----------
    test : that is watched
    tests : the engine's latest, best first; among them the one without steps, unless it is worse than all of them
    """
    best = tests[0] if tests else None
    if test is None or best is None or test.proof or best.proof or not best.steps or _alike(best, test):
        return False
    on = next((one for one in tests if not one.steps), tests[-1] if len(tests) > 1 else None)
    return _worth(best) > _WORTH * (0.0 if on is None else _worth(on))


def _worth(test: NextTest) -> float:
    """Give what a test tells in a second, bits."""
    return test.gain_bits / max(test.effort_s, 1.0)


def _watch(test: NextTest, since_ns: int) -> Watching:
    parts = tuple(step.part for step in test.steps if step.part and step.action is ActionKind.PLUG)
    lasts_ns = test.watch_ns if test.clear_ns is None else test.clear_ns
    return Watching(since_ns=since_ns, clear_at_ns=since_ns + lasts_ns, parts=parts)


def _is_step(action: Action, step: Step) -> bool:
    return action.kind is step.action and action.part == step.part and (step.into is None or action.into == step.into)
