"""What was plugged in and taken off again: after a loss, by who heeds it; and what that tells of a clock."""

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.clock_pattern.undone import Stay, log_undone, stays_of
from tests.truth.hand_records import action

ONE_S = np.ones(6)


def done(*steps: tuple[float, ActionKind, str]) -> list[Action]:
    return [action(n, s, kind, part) for n, (s, kind, part) in enumerate(steps, start=1)]


def test_a_plug_is_undone_where_the_next_thing_done_takes_it_off() -> None:
    story = done(
        (10.0, ActionKind.PLUG, "harness-A"),
        (30.0, ActionKind.PLUG, "harness-B"),
        (36.0, ActionKind.UNPLUG, "harness-A"),
        (39.0, ActionKind.UNPLUG, "harness-B"),
        (50.0, ActionKind.PLUG, "harness-C"),
        (56.0, ActionKind.REPLACE, "harness-C"),
    )
    assert stays_of(story) == (
        Stay(part="harness-A", plugged=0, last=1, next=2, undone=True),  # both, as one
        Stay(part="harness-C", plugged=4, last=4, next=5, undone=True),
    )


def test_of_several_that_went_in_only_those_that_come_out_again_are_undone() -> None:
    story = done(
        (10.0, ActionKind.PLUG, "harness-A"),
        (30.0, ActionKind.PLUG, "harness-B"),
        (36.0, ActionKind.UNPLUG, "harness-B"),
        (50.0, ActionKind.POWER_CYCLE, "fuse-3"),
    )
    assert stays_of(story) == (
        Stay(part="harness-A", plugged=0, last=0, next=1, undone=False),
        Stay(part="harness-B", plugged=1, last=1, next=2, undone=True),
    )


def test_what_was_plugged_in_last_is_not_known_to_have_been_left() -> None:
    assert stays_of(done((10.0, ActionKind.PLUG, "harness-A"))) == ()
    assert stays_of([]) == ()


def test_a_clock_that_puts_the_losses_before_what_was_undone_is_likelier() -> None:
    stays = (
        Stay(part="a", plugged=0, last=0, next=1, undone=False),
        Stay(part="b", plugged=1, last=1, next=2, undone=True),
        Stay(part="c", plugged=3, last=3, next=4, undone=True),
    )
    pressed_s = np.array([20.0, 60.0, 66.0, 100.0, 106.0])
    lost_s = np.array([62.0, 102.0])
    shifts_s = np.array([0.0, 30.0, -200.0])
    at_s = pressed_s[None, :] - shifts_s[:, None]
    right, off, outside = log_undone(stays, at_s, ONE_S[:5], dict.fromkeys("abc", lost_s), 300.0).tolist()
    assert right > outside + 1.0
    assert outside > off  # nothing can be seen there, and nothing speaks against it


@pytest.mark.parametrize("undone", [True, False])
def test_of_a_part_that_reaches_nobody_nothing_shows(undone: bool) -> None:
    stays = (Stay(part="a", plugged=0, last=0, next=1, undone=undone),)
    at_s = np.array([[20.0, 60.0], [120.0, 160.0]])
    log_p = log_undone(stays, at_s, ONE_S[:2], {}, 300.0)
    assert log_p[0] == log_p[1] == pytest.approx(np.log(0.35 if undone else 0.65))


def test_without_a_plug_every_clock_is_as_likely() -> None:
    assert log_undone((), np.zeros((3, 0)), ONE_S[:0], {}, 10.0).tolist() == pytest.approx([0.0, 0.0, 0.0])
