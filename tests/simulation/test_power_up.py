"""Power-ups with something odd: what the frames show is what the truth says."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from tests.truth.by_chance.power_up import Oddity, PowerUpSession, random_power_ups

NS = 1_000_000_000


def returns_s(session: PowerUpSession, controller: str) -> list[float | None]:
    """Give the first frame of every power-up, seconds after it."""
    found: list[float | None] = []
    for power_up in session.run.truth.power_ups:
        first_ns = power_up.first_ns[controller]
        found.append(None if first_ns is None else (first_ns - power_up.time_ns) / NS)
    return found


@pytest.mark.parametrize("seed", range(3))
def test_healthy_returns_come_within_their_spread(seed: int) -> None:
    session = random_power_ups(seed, Oddity.NONE)
    for name, boot_s in session.boot_s.items():
        # a first frame of a stream may come up to 0.3 s and a period after the start
        fastest_s = session.run.truth.fastest_ns[name] / NS
        assert all(
            t is not None and 0.94 * boot_s <= t <= 1.06 * boot_s + 0.32 + fastest_s for t in returns_s(session, name)
        )


def test_a_slow_controller_is_slow_at_the_last_power_up_only() -> None:
    session = random_power_ups(1, Oddity.SLOW)
    assert session.controller is not None
    times = [t for t in returns_s(session, session.controller) if t is not None]
    assert len(times) == 11
    assert times[-1] > 2.0 * max(times[:-1])


def test_a_missing_controller_does_not_return() -> None:
    session = random_power_ups(1, Oddity.MISSING)
    assert session.controller is not None
    times = returns_s(session, session.controller)
    assert times[-1] is None
    assert None not in times[:-1]


def test_one_that_restarts_twice_is_lost_once_more() -> None:
    session = random_power_ups(2, Oddity.RESTARTS_TWICE)
    last_up_ns = session.run.truth.power_ups[session.odd_power_up].time_ns
    after = [s for s in session.run.truth.silences if s.last_ns > last_up_ns]
    assert [(s.controller, s.cause, s.ran_on) for s in after] == [(session.controller, "spontaneous", "restarted")]


def test_one_that_waits_comes_after_the_slow_one() -> None:
    session = random_power_ups(3, Oddity.WAITS)
    assert session.controller is not None
    assert session.waits_for is not None
    last = {name: returns_s(session, name)[-1] for name in (session.controller, session.waits_for)}
    waiting, waited_for = last[session.controller], last[session.waits_for]
    assert waiting is not None
    assert waited_for is not None
    assert waiting > waited_for


def test_a_late_stream_is_late_while_its_controller_is_not() -> None:
    session = random_power_ups(4, Oddity.LATE_STREAM)
    block = FrameBlock.concat(session.run.blocks)
    up_ns = session.run.truth.power_ups[session.odd_power_up].time_ns
    own = [s for s in session.run.streams if s.controller == session.controller]
    after = block.t_ns > up_ns
    firsts = [int(block.t_ns[after & (block.id == s.id)][0]) - up_ns for s in own if s.period_s < 1.0]
    assert np.argmax(firsts) == len(firsts) - 1
    assert firsts[-1] > min(firsts) + 7 * NS


def test_an_exchanged_unit_claims_the_same_address_with_another_name() -> None:
    session = random_power_ups(5, Oddity.EXCHANGED)
    assert session.controller is not None
    block = FrameBlock.concat(session.run.blocks)
    address = session.run.machine.controllers[session.controller].spec.identity.address
    names = [block.payload(int(row)) for row in np.flatnonzero(block.id == 0x18EEFF00 + (address or 0))]
    assert len(names) == 11
    assert len(set(names[:-1])) == 1
    assert names[-1] != names[0]


def test_one_that_moved_speaks_under_another_address_alone() -> None:
    session = random_power_ups(6, Oddity.MOVED)
    assert session.controller is not None
    address = session.run.machine.controllers[session.controller].spec.identity.address
    block = FrameBlock.concat(session.run.blocks)
    after = block.t_ns > session.run.truth.power_ups[session.odd_power_up].time_ns
    assert not (after & ((block.id & 0xFF) == address)).any()
    known = {c.spec.identity.address for c in session.run.machine.controllers.values()}
    assert len(set((block.id[after] & 0xFF).tolist()) - known) == 1
