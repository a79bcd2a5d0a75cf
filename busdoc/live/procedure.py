"""The course of the work: which test is proposed, which step of it is next, and what is being waited for.

The engine proposes anew with every frame; a person in the middle of a test must not see the ground move. So a test is
kept from its first step until its watch is over, something falls, or something else is done. How long to watch is the
test's; how long until what it exposes may be called clear is often far longer, and is counted on beside the next test.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.words import order_in_words
from busdoc.isolation.verdict import NextTest, Step
from busdoc.live.view import NextRow, Watching
from busdoc.times import SECOND_NS
from busdoc.words.sentence import capital

__all__ = ["Course"]


class Course:
    """The test that is on, and how far it has come."""

    def __init__(self) -> None:
        self._tests: tuple[NextTest, ...] = ()
        self._test: NextTest | None = None
        self._step = 0
        self._done_ns: int | None = None
        """When the last step was done; None before."""
        self._skipped: list[tuple[Step, ...]] = []
        self._watch: Watching | None = None
        """The wait until what is exposed may be called clear: on as long as no hand changes what is."""

    def propose(self, tests: Sequence[NextTest], *, anew: bool = True) -> None:
        """Take the engine's latest tests; the one that is begun goes on, with its latest figures.

        So does one that was only proposed: who walks to the machine with it in mind must not press a key for another
        one that has come out ahead by a hair meanwhile.

        Parameters
        ----------
        anew : something happened or was done since the last proposals; False: only time has passed
        """
        self._tests = tuple(tests)
        test = self._test
        same = None if test is None else next((one for one in tests if _alike(one, test)), None)
        if test is not None and same is not None:
            self._test = replace(same, steps=test.steps)
        elif self._step == 0 and (anew or test is None or not tests):
            self._choose()

    def skip(self) -> None:
        """Propose another test."""
        if self._test is not None:
            self._skipped.append(self._test.steps)
        self._begin_anew()
        self._choose()

    def did(self, action: Action) -> None:
        """Follow an action: the step that was asked for, or something else."""
        step = self.step
        if step is not None and _is_step(action, step):
            self._step += 1
            if self._test is not None and self._step == len(self._test.steps):
                self._done_ns = action.time_ns
                self._watch = _watch(self._test, action.time_ns)
            else:
                self._watch = None
            return
        if action.kind not in (ActionKind.MARK, ActionKind.WIGGLE):
            self._begin_anew()
            self._watch = None

    def undid(self, action: Action) -> None:
        """Follow an action that was taken back: its step is to be done again."""
        if self._test is None or self._step == 0:
            return
        if _is_step(action, self._test.steps[self._step - 1]):
            self._step -= 1
            self._done_ns = self._watch = None

    def fell(self, at_ns: int) -> None:
        """Follow a controller that fell for no reason of its own: the watch has its answer."""
        if self._watch is not None and at_ns >= self._watch.since_ns - 3 * SECOND_NS:
            self._watch = None
            if self._step == 0 or self._done_ns is not None:
                self._begin_anew()

    def tick(self, now_ns: int) -> None:
        """Let time go on: a test that was watched long enough makes room for the next."""
        watch = self._watch
        if watch is not None and watch.clear_at_ns is not None and now_ns >= watch.clear_at_ns:
            self._watch = None
        if self._test is not None and self._done_ns is not None and now_ns >= self._done_ns + self._test.watch_ns:
            self._begin_anew()

    @property
    def step(self) -> Step | None:
        """The step to do now; None when there is none, or only the watch is left."""
        if self._test is None or self._step >= len(self._test.steps):
            return None
        return self._test.steps[self._step]

    def row(self, labels: Mapping[str, int]) -> NextRow | None:
        """Give the test as it is shown."""
        if self._test is None:
            return None
        texts = tuple(capital(order_in_words(step.action, step.part, step.into, labels)) for step in self._test.steps)
        return NextRow(test=self._test, step=self._step, steps_text=texts)

    def watching(self, now_ns: int) -> Watching | None:
        """Give the wait that is on; None when there is none."""
        watch = self._watch
        return None if watch is None else replace(watch, since_ns=min(watch.since_ns, now_ns))

    def start_watch(self, now_ns: int) -> bool:
        """Begin the watch of a test that has no steps; False when there is nothing to begin."""
        if self._test is None or self._test.steps or self._done_ns is not None:
            return False
        self._done_ns = now_ns
        if self._watch is None:
            self._watch = _watch(self._test, now_ns)
        return True

    def _begin_anew(self) -> None:
        self._test, self._step, self._done_ns = None, 0, None

    def _choose(self) -> None:
        if self._test is not None and self._done_ns is not None:
            return
        fresh = [test for test in self._tests if test.steps not in self._skipped]
        if not fresh and self._tests:
            self._skipped.clear()
            fresh = list(self._tests)
        self._test, self._step, self._done_ns = (fresh[0] if fresh else None), 0, None


def _alike(one: NextTest, other: NextTest) -> bool:
    """Whether two tests ask for the same things, in whatever order."""
    return sorted(map(str, one.steps)) == sorted(map(str, other.steps))


def _watch(test: NextTest, since_ns: int) -> Watching:
    parts = tuple(step.part for step in test.steps if step.part and step.action is ActionKind.PLUG)
    lasts_ns = test.watch_ns if test.clear_ns is None else test.clear_ns
    return Watching(since_ns=since_ns, clear_at_ns=since_ns + lasts_ns, parts=parts)


def _is_step(action: Action, step: Step) -> bool:
    return action.kind is step.action and action.part == step.part and (step.into is None or action.into == step.into)
