"""The laptop's own lead falls out: nobody is accused at any moment of it, however slow some of the messages are."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.capture.listening import Taken
from busdoc.live.session import LiveSession
from busdoc.screen.drawing.words import verdict_in_short
from busdoc.simulation.stream import StreamClock
from tests.screen.live_sweeper import LiveSweeper
from tests.screen.piloted import HandClock

S = 10**9


class LeadOut(LiveSweeper):
    """A sweeper of which nothing is heard for a while."""

    out_s = (0.0, 0.0)

    def take(self) -> Taken:
        taken = super().take()
        at_s = (taken.frames.t_ns - self._start_ns) / S
        return replace(taken, frames=taken.frames.take(~((at_s >= self.out_s[0]) & (at_s < self.out_s[1]))))


def with_slow_water(sweeper: LeadOut) -> LeadOut:
    """Let the water controller send nothing but one message in two seconds."""
    ours = [clock for clock in sweeper._clocks if clock.stream.controller == "water"]
    slow = StreamClock(replace(ours[0].stream, period_s=2.0), np.random.default_rng(1))
    sweeper._clocks = [*(clock for clock in sweeper._clocks if clock not in ours), slow]
    return sweeper


@pytest.mark.parametrize("slow", [False, True])
def test_while_nobody_is_heard_the_first_that_is_missed_is_not_accused(slow: bool) -> None:
    sweeper, clock = LeadOut([], seed=1), HandClock()
    if slow:
        with_slow_water(sweeper)
    sweeper.out_s = (14.5, 16.4)
    session = LiveSession(sweeper, sweeper.machine, clock_s=clock)
    session.start()
    said = set()
    for tick_s in (*[1.0] * 14, *[0.2] * 25):
        sweeper.wait(tick_s)
        clock.now_s += tick_s
        session.step()
        said.add(verdict_in_short(session.view()))
    assert said == {("", False)}
