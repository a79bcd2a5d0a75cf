"""The course of the work: steps in their order, a watch, and no ground that moves under one's hands."""

from dataclasses import replace

from busdoc.actions.action import Action, ActionKind
from busdoc.isolation.verdict import NextTest, Step
from busdoc.live.procedure import Course

S = 10**9


def step(kind: ActionKind, part: str | None = None) -> Step:
    return Step(action=kind, part=part)


def proposal(*steps: Step, watch_s: float = 10.0) -> NextTest:
    return NextTest(steps=steps, watch_ns=round(watch_s * S), gain_bits=1.0, effort_s=60.0, tells="…")


def done(kind: ActionKind, part: str | None = None, *, at_s: float = 0.0, n: int = 1) -> Action:
    return Action(n=n, time_ns=round(at_s * S), uncertainty_ns=S, kind=kind, part=part)


PLUG_A = proposal(step(ActionKind.PLUG, "A"), step(ActionKind.POWER_CYCLE))
PLUG_B = proposal(step(ActionKind.PLUG, "B"))


def test_steps_follow_each_other_and_then_the_watch() -> None:
    course = Course()
    course.propose([PLUG_A])
    assert course.step == step(ActionKind.PLUG, "A")
    course.did(done(ActionKind.PLUG, "A", at_s=5))
    assert course.step == step(ActionKind.POWER_CYCLE)
    assert course.watching(6 * S) is None
    course.did(done(ActionKind.POWER_CYCLE, at_s=7))
    assert course.step is None
    watching = course.watching(8 * S)
    assert watching is not None
    assert (watching.since_ns, watching.clear_at_ns, watching.parts) == (7 * S, 17 * S, ("A",))


def test_a_test_that_is_begun_is_not_taken_from_under_the_hands() -> None:
    course = Course()
    course.propose([PLUG_A, PLUG_B])
    course.did(done(ActionKind.PLUG, "A"))
    course.propose([PLUG_B])
    assert course.step == step(ActionKind.POWER_CYCLE)


def test_before_it_is_begun_the_latest_proposal_stands() -> None:
    course = Course()
    course.propose([PLUG_A])
    course.propose([PLUG_B])
    assert course.step == step(ActionKind.PLUG, "B")


def test_a_proposal_stands_while_it_is_worth_making() -> None:
    course = Course()
    course.propose([PLUG_A, PLUG_B])
    course.propose([PLUG_B, PLUG_A])
    assert course.step == step(ActionKind.PLUG, "A")


def test_while_only_time_passes_the_ground_does_not_move() -> None:
    course = Course()
    course.propose([PLUG_A])
    course.propose([PLUG_B], anew=False)
    assert course.step == step(ActionKind.PLUG, "A")
    course.propose([], anew=False)
    assert course.step is None


def test_the_same_things_in_another_order_are_no_other_test() -> None:
    course = Course()
    both = (step(ActionKind.UNPLUG, "A"), step(ActionKind.UNPLUG, "B"))
    course.propose([proposal(*both)])
    course.propose([proposal(*reversed(both))])
    assert course.step == step(ActionKind.UNPLUG, "A")


def test_something_else_that_is_done_makes_room_for_a_new_proposal() -> None:
    course = Course()
    course.propose([PLUG_A])
    course.did(done(ActionKind.PLUG, "A"))
    course.did(done(ActionKind.UNPLUG, "C"))
    course.propose([PLUG_B])
    assert course.step == step(ActionKind.PLUG, "B")


def test_a_mark_changes_nothing() -> None:
    course = Course()
    course.propose([PLUG_A])
    course.did(done(ActionKind.PLUG, "A"))
    course.did(done(ActionKind.MARK))
    assert course.step == step(ActionKind.POWER_CYCLE)


def test_a_step_that_is_taken_back_is_to_be_done_again() -> None:
    course = Course()
    course.propose([PLUG_A])
    action = done(ActionKind.PLUG, "A")
    course.did(action)
    course.undid(action)
    assert course.step == step(ActionKind.PLUG, "A")


def test_a_fall_during_the_watch_is_its_answer() -> None:
    course = Course()
    course.propose([PLUG_B])
    course.did(done(ActionKind.PLUG, "B", at_s=5))
    course.fell(6 * S)
    course.propose([PLUG_A])
    assert course.step == step(ActionKind.PLUG, "A")


def test_a_watch_that_is_over_makes_room() -> None:
    course = Course()
    course.propose([PLUG_B])
    course.did(done(ActionKind.PLUG, "B", at_s=5))
    course.tick(14 * S)
    course.propose([PLUG_A])
    assert course.watching(14 * S) is not None
    course.tick(15 * S)
    course.propose([PLUG_A])
    assert course.step == step(ActionKind.PLUG, "A")


def test_the_next_test_does_not_wait_until_all_may_be_called_clear() -> None:
    course = Course()
    course.propose([replace(PLUG_B, clear_ns=600 * S)])
    course.did(done(ActionKind.PLUG, "B", at_s=5))
    course.tick(16 * S)
    course.propose([PLUG_A])
    assert course.step == step(ActionKind.PLUG, "A")
    watching = course.watching(16 * S)
    assert watching is not None
    assert (watching.clear_at_ns, watching.parts) == (605 * S, ("B",))


def test_a_hand_on_the_machine_ends_the_wait() -> None:
    course = Course()
    course.propose([replace(PLUG_B, clear_ns=600 * S)])
    course.did(done(ActionKind.PLUG, "B", at_s=5))
    course.tick(16 * S)
    course.propose([PLUG_A])
    course.did(done(ActionKind.PLUG, "A", at_s=20))
    assert course.watching(21 * S) is None


def test_a_fall_ends_the_wait_and_leaves_the_next_test() -> None:
    course = Course()
    course.propose([replace(PLUG_B, clear_ns=600 * S)])
    course.did(done(ActionKind.PLUG, "B", at_s=5))
    course.tick(16 * S)
    course.fell(30 * S)
    course.propose([PLUG_A])
    assert course.watching(31 * S) is None
    assert course.step == step(ActionKind.PLUG, "A")


def test_another_test_is_proposed_when_asked_and_the_first_again_when_there_is_no_other() -> None:
    course = Course()
    course.propose([PLUG_A, PLUG_B])
    course.skip()
    assert course.step == step(ActionKind.PLUG, "B")
    course.skip()
    assert course.step == step(ActionKind.PLUG, "A")


def test_a_watch_without_steps_begins_by_itself() -> None:
    course = Course()
    course.propose([proposal(watch_s=30)])
    assert course.start_watch(100 * S)
    watching = course.watching(101 * S)
    assert watching is not None
    assert watching.clear_at_ns == 130 * S
    assert not course.start_watch(110 * S)


def test_the_number_on_the_connector_stands_in_the_step() -> None:
    course = Course()
    course.propose([PLUG_A])
    row = course.row({"A": 7})
    assert row is not None
    assert row.steps_text == ("Plug A (no. 7) in", "Switch the machine off, wait 10 s, and on again")
