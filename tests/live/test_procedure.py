"""The procedure at the machine: steps in their order, a watch, and no ground that moves under one's hands."""

from dataclasses import replace

from busdoc.actions.action import Action, ActionKind
from busdoc.isolation.verdict import NextTest, Step
from busdoc.live.procedure import Procedure, Stage

S = 10**9


def step(kind: ActionKind, part: str | None = None) -> Step:
    return Step(action=kind, part=part)


def proposal(*steps: Step, watch_s: float = 10.0) -> NextTest:
    return NextTest(steps=steps, watch_ns=round(watch_s * S), gain_bits=1.0, effort_s=60.0, tells="…")


def done(kind: ActionKind, part: str | None = None, *, at_s: float = 0.0, n: int = 1) -> Action:
    return Action(n=n, time_ns=round(at_s * S), uncertainty_ns=S, kind=kind, part=part)


PLUG_A = proposal(step(ActionKind.PLUG, "A"), step(ActionKind.POWER_ON))
PLUG_B = proposal(step(ActionKind.PLUG, "B"))


def test_steps_follow_each_other_and_then_the_watch() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")
    procedure.did(done(ActionKind.PLUG, "A", at_s=5))
    assert procedure.step == step(ActionKind.POWER_ON)
    assert procedure.watching(6 * S) is None
    procedure.did(done(ActionKind.POWER_ON, at_s=7))
    assert procedure.step is None
    watching = procedure.watching(8 * S)
    assert watching is not None
    assert (watching.since_ns, watching.clear_at_ns, watching.parts) == (7 * S, 17 * S, ("A",))


def test_a_test_that_is_begun_is_not_taken_from_under_the_hands() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A, PLUG_B])
    procedure.did(done(ActionKind.PLUG, "A"))
    procedure.propose([PLUG_B])
    assert procedure.step == step(ActionKind.POWER_ON)


def test_before_it_is_begun_the_latest_proposal_stands() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    procedure.propose([PLUG_B])
    assert procedure.step == step(ActionKind.PLUG, "B")


def test_a_proposal_stands_while_it_is_worth_making() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A, PLUG_B])
    procedure.propose([PLUG_B, PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_while_only_time_passes_the_ground_does_not_move() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    procedure.propose([PLUG_B], anew=False)
    assert procedure.step == step(ActionKind.PLUG, "A")
    procedure.propose([], anew=False)
    assert procedure.step is None


def test_the_same_things_in_another_order_are_no_other_test() -> None:
    procedure = Procedure()
    both = (step(ActionKind.UNPLUG, "A"), step(ActionKind.UNPLUG, "B"))
    procedure.propose([proposal(*both)])
    procedure.propose([proposal(*reversed(both))])
    assert procedure.step == step(ActionKind.UNPLUG, "A")


def test_something_else_that_is_done_makes_room_for_a_new_proposal() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    procedure.did(done(ActionKind.PLUG, "A"))
    procedure.did(done(ActionKind.UNPLUG, "C"))
    procedure.propose([PLUG_B])
    assert procedure.step == step(ActionKind.PLUG, "B")


def test_a_mark_changes_nothing() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    procedure.did(done(ActionKind.PLUG, "A"))
    procedure.did(done(ActionKind.MARK))
    assert procedure.step == step(ActionKind.POWER_ON)


def test_a_step_that_is_taken_back_is_to_be_done_again() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    action = done(ActionKind.PLUG, "A")
    procedure.did(action)
    procedure.undid(action)
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_a_fall_during_the_watch_is_its_answer() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_B])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.fell(6 * S)
    procedure.propose([PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_a_watch_that_is_over_makes_room() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_B])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.tick(14 * S)
    procedure.propose([PLUG_A])
    assert procedure.watching(14 * S) is not None
    procedure.tick(15 * S)
    procedure.propose([PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_the_next_test_does_not_wait_until_all_may_be_called_clear() -> None:
    procedure = Procedure()
    procedure.propose([replace(PLUG_B, clear_ns=600 * S)])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.tick(16 * S)
    procedure.propose([PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")
    watching = procedure.watching(16 * S)
    assert watching is not None
    assert (watching.clear_at_ns, watching.parts) == (605 * S, ("B",))


def test_a_hand_on_the_machine_ends_the_wait() -> None:
    procedure = Procedure()
    procedure.propose([replace(PLUG_B, clear_ns=600 * S)])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.tick(16 * S)
    procedure.propose([PLUG_A])
    procedure.did(done(ActionKind.PLUG, "A", at_s=20))
    assert procedure.watching(21 * S) is None


def test_a_fall_ends_the_wait_and_leaves_the_next_test() -> None:
    procedure = Procedure()
    procedure.propose([replace(PLUG_B, clear_ns=600 * S)])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.tick(16 * S)
    procedure.fell(30 * S)
    procedure.propose([PLUG_A])
    assert procedure.watching(31 * S) is None
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_another_test_is_proposed_when_asked_and_the_first_again_when_there_is_no_other() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A, PLUG_B])
    procedure.skip()
    assert procedure.step == step(ActionKind.PLUG, "B")
    procedure.skip()
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_a_watch_without_steps_begins_by_itself() -> None:
    procedure = Procedure()
    procedure.propose([proposal(watch_s=30)])
    assert procedure.start_watch(100 * S)
    watching = procedure.watching(101 * S)
    assert watching is not None
    assert watching.clear_at_ns == 130 * S
    assert not procedure.start_watch(110 * S)


def test_the_number_on_the_connector_stands_in_the_step() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_A])
    row = procedure.row({"A": 7})
    assert row is not None
    assert row.steps_text == ("Plug A (no. 7) in", "Switch the machine on")


def test_a_power_cycle_is_asked_for_in_two_stages_with_a_hold_between_them() -> None:
    procedure = Procedure()
    procedure.propose([proposal(step(ActionKind.POWER_CYCLE, "fuse-3"))])
    assert procedure.step == step(ActionKind.POWER_OFF, "fuse-3")
    assert procedure.hold_until_ns is None
    procedure.did(done(ActionKind.POWER_OFF, "fuse-3", at_s=20))
    assert procedure.step == step(ActionKind.POWER_ON, "fuse-3")
    assert procedure.hold_until_ns == 30 * S


def test_a_power_cycle_written_down_as_one_does_both_stages() -> None:
    procedure = Procedure()
    procedure.propose([proposal(step(ActionKind.POWER_CYCLE))])
    procedure.did(done(ActionKind.POWER_CYCLE, at_s=20))
    assert procedure.step is None
    assert procedure.watching(21 * S) is not None


def test_what_was_just_done_is_not_asked_for_again_while_there_is_anything_else() -> None:
    procedure = Procedure()
    procedure.propose([PLUG_B, PLUG_A])
    procedure.did(done(ActionKind.PLUG, "B", at_s=5))
    procedure.fell(6 * S)
    procedure.propose([PLUG_B, PLUG_A])
    assert procedure.step == step(ActionKind.PLUG, "A")


def test_a_watch_is_left_for_a_test_that_tells_clearly_more_and_the_wait_goes_on() -> None:
    """Two branches are out, and what the test was begun for is known meanwhile: watching on tells next to nothing."""
    on = replace(proposal(), gain_bits=0.1)

    def watched_for(seconds: float, *tests: NextTest) -> Procedure:
        procedure = Procedure()
        procedure.propose([proposal(step(ActionKind.UNPLUG, "A"), watch_s=200.0)])
        procedure.did(done(ActionKind.UNPLUG, "A"))
        procedure.tick(round(seconds * S))
        procedure.propose(tests, anew=False)
        return procedure

    left = watched_for(13.0, PLUG_B, on)
    assert left.step == step(ActionKind.PLUG, "B")
    assert left.watching(14 * S) is not None
    assert watched_for(13.0, PLUG_B).step == step(ActionKind.PLUG, "B")  # to watch on is not even proposed
    for kept in (
        watched_for(11.0, PLUG_B, on),  # too early to tell
        watched_for(13.0, PLUG_B, replace(on, gain_bits=0.6)),  # not worth the way
        watched_for(13.0, on, PLUG_B),
        watched_for(13.0, PLUG_B, PLUG_A),  # as many as there are may leave out that to watch on is nearly as good
        watched_for(13.0),
    ):
        assert kept.stage is Stage.WATCHED


def test_a_proof_that_is_watched_is_not_left() -> None:
    procedure = Procedure()
    procedure.propose([replace(proposal(step(ActionKind.REPLACE, "A"), watch_s=200.0), proof=True)])
    procedure.did(done(ActionKind.REPLACE, "A"))
    procedure.tick(20 * S)
    procedure.propose([PLUG_B], anew=False)
    assert procedure.stage is Stage.WATCHED
