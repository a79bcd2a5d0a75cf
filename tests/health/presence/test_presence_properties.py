"""Invariants of the presence engine: cuts, the clock, names and a quiet channel change nothing."""

from dataclasses import replace

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import ControllerSpec, Identity
from tests.health.made_traffic import MS, Maker, S, Sent, at, health_of, merged

UNTIL_NS = 20 * S
NAME = bytes.fromhex("3F426F1A00823CC0")
SPECS = (
    ControllerSpec(name="hopper", identity=Identity(address=0x31)),
    ControllerSpec(name="lift", identity=Identity(node_id=5)),
)


def machine(seed: int, channel: int = 0) -> list[Sent]:
    """Make up a small machine of 29-bit, CANopen and plain identifiers with a few troubles."""
    maker = Maker(seed=seed)
    rng = maker.rng
    sent: list[Sent] = []
    for address in (0x31, 0x42, 0x53):
        for group in range(int(rng.integers(1, 4))):
            period_ns = int(rng.choice((20, 50, 100, 500))) * MS
            identifier = 0x18FF0000 | group << 8 | address
            sent.append(
                maker.cyclic(identifier, period_ns, UNTIL_NS, channel=channel, counter=bool(rng.random() < 0.5))
            )
    sent.append(maker.events(0x18FF9931, S, UNTIL_NS, channel=channel))
    heartbeat = maker.cyclic(0x705, 200 * MS, UNTIL_NS, extended=False, channel=channel)
    sent.append(replace(heartbeat, length=1))
    sent.append(maker.cyclic(0x185, 50 * MS, UNTIL_NS, extended=False, channel=channel))
    sent += [
        maker.cyclic(identifier, 30 * MS, UNTIL_NS, extended=False, channel=channel) for identifier in (0x2A1, 0x2A7)
    ]
    for _ in range(int(rng.integers(0, 4))):
        from_ns = int(rng.integers(6 * S, 15 * S))
        to_ns = from_ns + int(rng.integers(100 * MS, 3 * S))
        lost = int(rng.integers(0, 4))  # one controller, the plain ones, the node, or everything
        for k, one in enumerate(sent):
            its = one.id & 0xFF == (0x31, 0x42, 0x05, one.id & 0xFF)[lost]
            if its:
                sent[k] = one.without(from_ns, to_ns)
        if lost == 0:
            sent.append(at(0x18EEFF31, to_ns + MS, NAME, channel=channel))
    return sent


def told(health: Health, shift_ns: int = 0) -> object:
    """Give all that a health says, with its times moved."""
    moved = [
        (
            incident.kind,
            incident.channel,
            incident.controllers,
            incident.ran_on,
            incident.p_restarted,
            incident.why,
            incident.last_seen_ns - shift_ns,
            incident.onset_ns - shift_ns,
            incident.back_ns and incident.back_ns - shift_ns,
            incident.steady_ns and incident.steady_ns - shift_ns,
            tuple((loss.controller, loss.onset_ns - shift_ns, loss.evidence) for loss in incident.losses),
        )
        for incident in health.incidents
    ]
    states = [
        (c.name, c.state, c.frames, c.present_ns, c.lost_ns, c.dropouts, c.restarts, c.identity, len(c.absences))
        for c in health.controllers
    ]
    rhythms = [
        (s.key, s.frames, s.cyclic, s.period_ns, s.jitter_ns, s.deadline_ns)
        for c in health.controllers
        for s in c.streams
    ]
    return moved, states, rhythms


@settings(max_examples=30)
@given(seed=st.integers(0, 10**6), cuts=st.lists(st.integers(0, 4000), max_size=10), with_specs=st.booleans())
def test_cutting_the_capture_anywhere_gives_the_same_health(seed: int, cuts: list[int], with_specs: bool) -> None:
    block = merged(*machine(seed))
    specs = SPECS if with_specs else ()
    cuts = [min(cut, len(block)) for cut in cuts]
    whole, cut = health_of(block, specs), health_of(block, specs, cuts=cuts)
    assert (whole.controllers, whole.incidents, whole.gaps) == (cut.controllers, cut.incidents, cut.gaps)


def test_frame_by_frame_gives_the_same_health() -> None:
    block = merged(*machine(3)).slice(0, 1500)
    whole, cut = health_of(block), health_of(block, cuts=range(1, 1500))
    assert (whole.controllers, whole.incidents) == (cut.controllers, cut.incidents)


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6), ask_at=st.lists(st.integers(1, 19), max_size=5))
def test_asking_on_the_way_changes_nothing(seed: int, ask_at: list[int]) -> None:
    block = merged(*machine(seed))
    watch = HealthWatch()
    first = 0
    for second in sorted(ask_at):
        row = int(np.searchsorted(block.t_ns, second * S))
        watch.feed(block.slice(first, row))
        watch.so_far(second * S)
        first = row
    watch.feed(block.slice(first, len(block)))
    assert told(watch.close()) == told(health_of(block))


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6), shift_ns=st.integers(0, 2 * 10**18))
def test_another_clock_gives_the_same_health_at_its_times(seed: int, shift_ns: int) -> None:
    sent = machine(seed)
    later = [replace(one, t_ns=one.t_ns + shift_ns) for one in sent]
    assert told(health_of(merged(*later)), shift_ns) == told(health_of(merged(*sent)))


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6))
@example(seed=33224)
def test_a_channel_that_was_quiet_but_for_one_frame_changes_no_controller(seed: int) -> None:
    block = merged(*machine(seed))
    more = merged(*machine(seed), at(0x123, UNTIL_NS // 2, b"\x01", extended=False, channel=3))
    plain, with_quiet = health_of(block), health_of(more)
    assert told(plain) == told(replace(with_quiet, controllers=with_quiet.controllers[: len(plain.controllers)]))


@settings(max_examples=20)
@given(seed=st.integers(0, 10**6))
def test_other_names_and_another_channel_number_change_only_the_names(seed: int) -> None:
    renamed = tuple(replace(spec, name=spec.name.upper()) for spec in SPECS)
    plain = health_of(merged(*machine(seed)), SPECS)
    other = health_of(merged(*machine(seed, channel=2)), renamed)
    assert [c.state for c in plain.controllers] == [c.state for c in other.controllers]
    assert [(i.kind, i.onset_ns, i.back_ns, i.p_restarted) for i in plain.incidents] == [
        (i.kind, i.onset_ns, i.back_ns, i.p_restarted) for i in other.incidents
    ]
    assert [c.name.upper() for c in plain.controllers if c.name in ("hopper", "lift")] == [
        c.name for c in other.controllers if c.name in ("HOPPER", "LIFT")
    ]


def test_the_order_of_frames_at_the_same_instant_does_not_invent_incidents() -> None:
    block = merged(*machine(11))
    coarse = FrameBlock(  # a recorder that knows milliseconds only
        t_ns=block.t_ns // MS * MS,
        channel=block.channel,
        id=block.id,
        flags=block.flags,
        length=block.length,
        data=block.data,
    )
    fine = health_of(block)
    assert [(i.kind, i.controllers) for i in health_of(coarse).incidents] == [
        (i.kind, i.controllers) for i in fine.incidents
    ]
