"""Returns after power-up, held against simulated machines whose truth is known."""

import gzip
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.analysis.case import Case
from busdoc.analysis.resync import Resync, judge_resync, resync
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import learn_baseline
from busdoc.resync_check.baseline_text import merge_into
from busdoc.resync_check.records import ControllerReturn, FoundBy, ReturnFault, ReturnVerdict
from tests.truth.by_chance.machine_text import machine_text
from tests.truth.by_chance.power_up import Oddity, PowerUpSession, random_power_ups
from tests.truth.by_chance.random_machine import Protocol

REAL = Path(__file__).parents[1] / "data" / "real"
NS = 1_000_000_000


def returns_of(machine: Machine, *blocks: FrameBlock) -> Resync:
    channels = ChannelTable()
    channels.number("can0")
    case = Case(machine=machine, channels=channels)
    watches = Watches(case)
    for block in blocks:
        watches.feed(block)
    return judge_resync(case, watches)


@dataclass(frozen=True)
class Judged:
    session: PowerUpSession
    machine: Machine
    last: FrameBlock
    found: Resync

    def of(self, name: str | None) -> ControllerReturn:
        (power_up,) = self.found.power_ups
        return next(one for one in power_up.controllers if one.name == name)


@cache
def judged(oddity: Oddity, seed: int = 1, protocol: Protocol | None = None) -> Judged:
    """Learn from six healthy power-ups and judge the seventh."""
    session = random_power_ups(seed, oddity, n_healthy=6, protocol=protocol)
    block = FrameBlock.concat(session.run.blocks)
    up_ns = session.run.truth.power_ups[session.odd_power_up].time_ns
    cut, begin = (int(np.searchsorted(block.t_ns, up_ns - s * NS)) for s in (3, 12))
    text = machine_text(session.run.machine)
    healthy = returns_of(machine_from_text(text, "map"), block.slice(0, cut))
    learnt = merge_into(text, learn_baseline(healthy.health, healthy.power_ups)).text
    machine = machine_from_text(learnt, "map")
    last = block.slice(begin, len(block))
    return Judged(session, machine, last, returns_of(machine, last))


@pytest.mark.parametrize("protocol", list(Protocol))
def test_a_healthy_machine_passes(protocol: Protocol) -> None:
    one = judged(Oddity.NONE, 2, protocol)
    assert one.found.verdict is ReturnVerdict.PASS
    assert [power_up.power_up.found_by for power_up in one.found.power_ups] == [FoundBy.TRAFFIC]


@pytest.mark.parametrize(
    ("oddity", "fault"),
    [
        (Oddity.SLOW, ReturnFault.SLOW),
        (Oddity.MISSING, ReturnFault.MISSING),
        (Oddity.RESTARTS_TWICE, ReturnFault.RESTARTED),
        (Oddity.LATE_STREAM, ReturnFault.LATE_STREAM),
        (Oddity.EXCHANGED, ReturnFault.EXCHANGED),
        (Oddity.MOVED, ReturnFault.MOVED),
    ],
)
def test_what_is_odd_fails_for_its_own_reason_and_alone(oddity: Oddity, fault: ReturnFault) -> None:
    one = judged(oddity, 3)
    assert fault in one.of(one.session.controller).faults
    failed = [c.name for c in one.found.power_ups[0].controllers if c.verdict is ReturnVerdict.FAIL]
    assert failed == [one.session.controller]


def test_the_one_that_waits_names_the_one_that_it_waits_for() -> None:
    one = judged(Oddity.WAITS, 4)
    assert one.of(one.session.controller).waited_for == one.session.waits_for
    assert one.of(one.session.waits_for).waited_for is None


def test_first_frames_are_those_of_the_truth() -> None:
    one = judged(Oddity.NONE, 2, Protocol.CANOPEN)
    truth = one.session.run.truth.power_ups[one.session.odd_power_up].first_ns
    assert {c.name: c.first_ns for c in one.found.power_ups[0].controllers} == dict(truth)


def test_a_capture_that_begins_while_the_machine_starts_is_told_apart_and_gives_no_pass() -> None:
    one = judged(Oddity.NONE, 2, Protocol.J1939)
    first_ns = one.found.power_ups[0].power_up.zero_ns
    assert first_ns is not None
    begin = int(np.searchsorted(one.last.t_ns, first_ns + NS // 20))
    found = returns_of(one.machine, one.last.slice(begin, len(one.last)))
    (power_up,) = found.power_ups
    assert (power_up.power_up.found_by, power_up.power_up.whole) == (FoundBy.OPENING, False)
    assert power_up.verdict is ReturnVerdict.NO_LIMIT


def test_a_capture_of_a_running_machine_has_no_power_up() -> None:
    one = judged(Oddity.NONE, 2, Protocol.J1939)
    end = int(np.searchsorted(one.last.t_ns, int(one.last.t_ns[0]) + 4 * NS))
    found = returns_of(one.machine, one.last.slice(0, end))
    assert (found.opening.starting, found.power_ups) == (False, ())


def test_without_a_map_nothing_passes_that_nobody_gave_a_limit() -> None:
    one = judged(Oddity.NONE, 2, Protocol.J1939)
    found = returns_of(Machine(), one.last)
    assert found.verdict is ReturnVerdict.NO_LIMIT
    assert {c.verdict for c in found.power_ups[0].controllers} == {ReturnVerdict.NO_LIMIT}


def test_without_a_map_a_controller_that_stays_away_fails_all_the_same() -> None:
    one = judged(Oddity.MISSING, 3, Protocol.J1939)
    address = one.machine.controllers[one.session.controller or ""].spec.identity.address
    found = returns_of(Machine(), one.last)
    failed = [c.name for c in found.power_ups[0].controllers if c.verdict is ReturnVerdict.FAIL]
    assert failed == [f"address 0x{address:02X}"]


def summary(found: Resync) -> object:
    return [(one.power_up, one.controllers, one.new) for one in found.power_ups]


@given(cuts=st.lists(st.floats(0.0, 1.0), max_size=12), seed=st.sampled_from([3, 4]))
@settings(max_examples=12)
def test_where_the_blocks_are_cut_changes_nothing(cuts: list[float], seed: int) -> None:
    one = judged(Oddity.RESTARTS_TWICE, seed)
    edges = sorted({0, len(one.last), *(round(cut * len(one.last)) for cut in cuts)})
    blocks = [one.last.slice(low, high) for low, high in pairwise(edges)]
    assert summary(returns_of(one.machine, *blocks)) == summary(one.found)


def test_a_silence_of_the_bus_in_which_everybody_kept_running_is_no_power_up_and_no_restart() -> None:
    """A recorded tractor whose whole bus is silent for six seconds (see tests/data/real/NOTICE)."""
    found = resync([REAL / "tractor-whole-bus-silent-5s.log.gz"])
    (power_up,) = found.power_ups
    assert power_up.power_up.found_by is FoundBy.OPENING
    assert power_up.power_up.zero_ns is not None
    silent_ns = power_up.power_up.zero_ns + 4 * NS
    assert [t for one in power_up.controllers for t in one.restarts_ns if t > silent_ns] == []


def test_controllers_that_the_starter_took_away_did_not_restart_while_starting() -> None:
    """A recorded tractor: three controllers claim their addresses anew 4.77 s after key-on (tests/data/real/NOTICE)."""
    (power_up,) = resync([REAL / "tractor-key-on-crank-key-off.log.gz"]).power_ups
    assert [one.name for one in power_up.controllers if one.faults] == []
    cranked = {one.name: one for one in power_up.controllers if one.cranked_ns is not None}
    assert set(cranked) == {"address 0x03", "address 0x06", "address 0x17", "address 0x47"}  # 23 claims anew, too
    one = cranked["address 0x47"]
    back_ns, zero_ns = one.cranked_ns or 0, power_up.power_up.zero_ns or 0
    assert one.took_ns(back_ns + NS, zero_ns) == NS  # what comes after the crank counts from its own return
    assert one.took_ns(zero_ns + NS, zero_ns) == NS


def test_controllers_that_restart_together_are_named_together(tmp_path: Path) -> None:
    """The same, where nothing tells of an engine: their supply dipped."""
    told = gzip.decompress((REAL / "tractor-key-on-crank-key-off.log.gz").read_bytes()).splitlines()
    silent = tmp_path / "no-engine.log"
    silent.write_bytes(b"\n".join(line for line in told if b"F00400#" not in line))
    found = resync([silent])
    restarted = {one.name: one for one in found.power_ups[0].controllers if ReturnFault.RESTARTED in one.faults}
    assert set(restarted) == {"address 0x03", "address 0x06", "address 0x17", "address 0x47"}
    assert all("common supply" in one.reasons[0] for one in restarted.values())


def test_who_was_in_step_for_long_did_not_restart_while_starting() -> None:
    """A bench whose power is cycled 22 s after most of its controllers were in step (tests/data/real/NOTICE)."""
    (power_up, *_) = resync([REAL / "bench-power-cycles.log.gz"]).power_ups
    assert power_up.power_up.zero_ns is not None
    early = {one.name: one for one in power_up.controllers if one.name[-2:] in ("25", "8B", "80", "8F")}
    assert len(early) == 4
    assert all(one.restarts_ns == () and one.faults == () for one in early.values())
    assert all((one.steady_ns or 0) - power_up.power_up.zero_ns < 6 * NS for one in early.values())
