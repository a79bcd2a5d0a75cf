"""The one conclusion: its state at every stage of a search, with one probability a part and one duration of quiet."""

from busdoc.actions.action import ActionKind
from busdoc.isolation.conclusion import Conclusion, State, conclusion_of
from tests.truth.hand_records import HandRecord, action, dropout, sweeper

NS = 1_000_000_000


def complaint() -> HandRecord:
    session = HandRecord(sweeper(), start_ns=0)
    for t in (30.0, 36.0, 42.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    return session


def found() -> HandRecord:
    """The sensor was taken out, all was quiet, and it fell at once each time that it was put in again."""
    session = complaint()
    session.act(action(1, 50.4, ActionKind.UNPLUG, "gate-angle"))
    session.act(action(2, 120.3, ActionKind.PLUG, "gate-angle"))
    for t in (120.9, 127.0, 134.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    session.act(action(3, 140.3, ActionKind.UNPLUG, "gate-angle"))
    session.act(action(4, 210.3, ActionKind.PLUG, "gate-angle"))
    for t in (210.9, 217.0, 224.0):
        session.saw(dropout(t, t + 5.0, "hopper"))
    return session


def replaced() -> HandRecord:
    session = found()
    session.act(action(5, 230.3, ActionKind.REPLACE, "gate-angle"))
    return session


def at(session: HandRecord, at_s: float) -> Conclusion:
    return conclusion_of(session.verdict(round(at_s * NS)), troubled=bool(session.known_at(round(at_s * NS)).incidents))


def test_nothing_that_fell_is_healthy_and_asks_for_nothing() -> None:
    conclusion = at(HandRecord(sweeper(), start_ns=0), 60.0)
    assert conclusion.state is State.HEALTHY
    assert conclusion.part is None
    assert conclusion.to_prove_ns is None


def test_a_fault_that_fell_with_nothing_done_names_no_part() -> None:
    conclusion = at(complaint(), 50.0)
    assert conclusion.state in (State.UNEXPLAINED, State.NARROWED)
    assert conclusion.part is None
    assert conclusion.to_prove_ns


def test_the_part_that_brings_it_back_each_time_is_named_and_only_its_proof_is_proposed() -> None:
    session = found()
    verdict, conclusion = session.verdict(230 * NS), at(session, 230.0)
    assert conclusion.state is State.NAMED
    assert conclusion.part == verdict.suspects[0].part == "gate-angle"
    assert conclusion.probability == verdict.suspects[0].probability
    assert [test.proof for test in verdict.next_tests] == [True]
    assert verdict.next_tests[0].watch_ns == conclusion.to_prove_ns


def test_its_repair_is_proved_by_quiet_for_as_long_as_was_said() -> None:
    needed_ns = at(found(), 230.0).to_prove_ns
    assert needed_ns is not None
    early = at(replaced(), 232.0)
    assert early.state is State.REPAIRED
    assert early.quiet_ns is not None
    assert early.to_prove_ns is not None
    assert early.left_ns == early.to_prove_ns - early.quiet_ns > 0
    assert not early.suspects
    late = at(replaced(), 231.0 + 1.5 * needed_ns / NS)
    assert late.state is State.PROVED
    assert late.left_ns == 0
    assert late.part == "gate-angle"


def test_a_watch_after_a_repair_is_for_the_rest_of_that_time() -> None:
    (test,) = replaced().verdict(232 * NS).next_tests
    early = at(replaced(), 232.0)
    assert test.steps == ()
    assert test.proof
    assert test.watch_ns == early.left_ns


def test_trouble_after_the_repair_is_said_to_have_come_back() -> None:
    session = replaced()
    session.saw(dropout(260.0, 265.0, "hopper"))
    conclusion = at(session, 270.0)
    assert conclusion.state is State.CAME_BACK
    assert conclusion.repairs[0].part == "gate-angle"
    assert conclusion.repairs[0].came_back_ns is not None
    assert conclusion.quiet_ns is not None
    assert conclusion.quiet_ns < 31 * NS
    assert conclusion.left_ns is None


def test_time_with_the_new_part_out_is_no_quiet_that_proves_it() -> None:
    session = replaced()
    session.act(action(6, 232.0, ActionKind.UNPLUG, "gate-angle"))
    conclusion = at(session, 600.0)
    assert conclusion.quiet_ns is not None
    assert conclusion.quiet_ns < 3 * NS


def second_fault_after_the_first_was_replaced() -> HandRecord:
    """Two sensors, one found while the other is out: each falls at once whenever it is in."""
    session = complaint()
    session.act(action(1, 48.3, ActionKind.UNPLUG, "tilt-angle"))
    session.act(action(2, 50.4, ActionKind.UNPLUG, "gate-angle"))
    at_s, n = 120.0, 2
    for part in ("gate-angle", "tilt-angle"):
        for _ in range(2):
            session.act(action(n + 1, at_s + 0.3, ActionKind.PLUG, part))
            for t in (0.9, 7.0, 14.0):
                session.saw(dropout(at_s + t, at_s + t + 5.0, "hopper"))
            if part == "tilt-angle" or n == 2:
                session.act(action(n + 2, at_s + 20.3, ActionKind.UNPLUG, part))
            else:
                session.act(action(n + 2, at_s + 20.3, ActionKind.REPLACE, part))
            at_s, n = at_s + 90.0, n + 2
    session.act(action(n + 1, at_s + 0.3, ActionKind.PLUG, "tilt-angle"))
    for t in (0.9, 7.0, 14.0):
        session.saw(dropout(at_s + t, at_s + t + 5.0, "hopper"))
    return session  # at 500 s


def test_what_was_replaced_and_still_fails_is_not_replaced_again() -> None:
    # common practice: a new part that fails as the old one did is sound, and something else is at fault
    session = second_fault_after_the_first_was_replaced()
    named = {s.part for s in session.verdict(500 * NS).suspects if s.probability >= 0.95}
    assert named == {"gate-angle", "tilt-angle"}
    for at_s in (310, 318, 345, 420, 500):
        for test in session.verdict(at_s * NS).next_tests:
            assert not any(s.action is ActionKind.REPLACE and s.part == "gate-angle" for s in test.steps)
    first = session.verdict(500 * NS).next_tests[0]
    assert [step.part for step in first.steps if step.action is ActionKind.REPLACE] == ["tilt-angle"]


def test_of_two_faults_the_one_replaced_first_does_not_keep_the_cure_from_being_proved() -> None:
    session = second_fault_after_the_first_was_replaced()
    session.act(action(11, 501.0, ActionKind.REPLACE, "tilt-angle"))
    quiet = at(session, 503.0).to_prove_ns
    assert quiet is not None
    proved = at(session, 510.0 + quiet / NS)
    assert proved.state is State.PROVED
    assert {one.part for one in proved.named} == {"gate-angle", "tilt-angle"}
    assert [one.part for one in proved.repairs] == ["tilt-angle"]
