"""Whole sessions by seed: the truth agrees with the frames and with the machine."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.simulation.run import Run, frame_times
from busdoc.simulation.technician import Habits
from tests.truth.by_chance.random_machine import Protocol
from tests.truth.by_chance.random_session import SessionKind, random_session


def times_of(run: Run) -> dict[str, "np.typing.NDArray[np.int64]"]:
    identities = {name: c.spec.identity for name, c in run.machine.controllers.items()}
    return frame_times(run.blocks, run.streams, {n: (i.address, i.node_id) for n, i in identities.items()})


@pytest.mark.parametrize("kind", list(SessionKind))
@pytest.mark.parametrize("protocol", list(Protocol))
def test_no_frame_falls_into_a_silence_and_its_ends_are_frames(kind: SessionKind, protocol: Protocol) -> None:
    run = random_session(kind, 5, protocol=protocol)
    times = times_of(run)
    assert run.truth.silences
    for silence in run.truth.silences:
        t_ns = times[silence.controller]
        end_ns = run.until_ns if silence.first_ns is None else silence.first_ns
        assert not ((t_ns > silence.last_ns) & (t_ns < end_ns)).any()
        assert silence.last_ns in t_ns
        assert silence.first_ns is None or silence.first_ns in t_ns


@pytest.mark.parametrize("kind", list(SessionKind))
def test_outside_its_silences_a_controller_keeps_its_fastest_beat(kind: SessionKind) -> None:
    run = random_session(kind, 4)
    quiet = {(s.controller, s.last_ns) for s in run.truth.silences}
    for name, t_ns in times_of(run).items():
        limit_ns = 3 * run.truth.slowest_ns[name]
        for before_gap in np.flatnonzero(np.diff(t_ns) > limit_ns):
            assert (name, int(t_ns[before_gap])) in quiet


def test_the_same_seed_gives_the_same_frames_and_another_seed_others() -> None:
    one, same, other = (FrameBlock.concat(random_session(SessionKind.FEED, seed).blocks) for seed in (5, 5, 6))
    assert (one.t_ns == same.t_ns).all()
    assert (one.data == same.data).all()
    assert len(one) != len(other) or (one.t_ns != other.t_ns).any()


@pytest.mark.parametrize(("kind", "ran_on"), [(SessionKind.SEGMENT, "kept running"), (SessionKind.FEED, "restarted")])
def test_feeds_restart_and_segments_do_not(kind: SessionKind, ran_on: str) -> None:
    found = {s.ran_on for seed in range(3) for s in random_session(kind, seed).truth.silences}
    assert found - {"still off"} == {ran_on}


def test_a_spontaneous_session_has_no_faulty_part_and_no_cause_among_the_actions() -> None:
    run = random_session(SessionKind.SPONTANEOUS, 2)
    assert run.truth.faulty == ()
    assert run.actions
    assert all(s.action is None for s in run.truth.silences if s.cause == "spontaneous")


def test_a_forgotten_press_leaves_a_cause_without_an_action() -> None:
    run = random_session(SessionKind.HARD_BRANCH, 7, habits=Habits(miss=1.0))
    assert run.actions == ()
    assert any(s.act is not None for s in run.truth.silences)
    assert all(s.action is None for s in run.truth.silences)


def test_presses_come_late_by_two_seconds_at_most() -> None:
    run = random_session(SessionKind.HARD_BRANCH, 7)
    cut = [s for s in run.truth.silences if s.cause == "power"]
    assert cut
    for silence in cut:
        action = next(a for a in run.actions if a.n == silence.action)
        assert -300_000_000 <= action.time_ns - silence.lost_ns <= 2_000_000_000


def test_wrong_and_repeated_presses_name_siblings_and_follow_at_once() -> None:
    run = random_session(SessionKind.HARD_BRANCH, 8, habits=Habits(wrong=1.0, twice=1.0))
    right = random_session(SessionKind.HARD_BRANCH, 8)
    assert len(run.actions) == 2 * len(run.actions[::2])
    assert {a.part for a in run.actions} <= {a.part for a in right.actions} | set(run.machine.parts)
    named = [a.part for a in run.actions[::2] if a.part is not None]
    assert named
    assert all(part.startswith("harness") for part in named)
