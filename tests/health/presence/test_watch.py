"""What the watch tells of small traffic without jitter, to the nanosecond: periods of 100 ms, deadlines of 225 ms."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.controller import ControllerState, StreamKey
from busdoc.health.incident import FramesAround, Gap, GapKind, IncidentKind, Loss, RanOn
from busdoc.health.presence.judge import LossKey, Settled, _cyclic_stream, judge
from busdoc.health.presence.restart_evidence import RestartFinding
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.streams.rhythm import Rhythm
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from tests.health.made_traffic import (
    MS,
    TICKING_UNTIL_NS,
    S,
    Sent,
    at,
    health_of,
    merged,
    named,
    of_kind,
    owing,
    ticking,
)

UNTIL_NS = TICKING_UNTIL_NS
A, A2, B, C = 0x18FF0131, 0x18FF0231, 0x18FF0142, 0x18FF0153
GONE = (10 * S, 15 * S)
NAME = bytes.fromhex("3F426F1A00823CC0")


def key(identifier: int, channel: int = 0, *, extended: bool = True) -> StreamKey:
    return StreamKey(channel=channel, extended=extended, id=identifier)


def spec(name: str, address: int) -> ControllerSpec:
    return ControllerSpec(name=name, identity=Identity(address=address))


# Losses


def test_a_loss_is_told_with_its_bounds_and_the_frames_around_it() -> None:
    block = merged(
        ticking(A, length=3).without(*GONE), ticking(A2, 3 * MS).without(10_003 * MS, 15_003 * MS), ticking(B, 7 * MS)
    )
    health = health_of(block)
    assert (health.start_ns, health.until_ns, health.frames, health.error_frames) == (0, UNTIL_NS, len(block), 0)
    assert (health.gaps, health.warnings) == ((), ())
    (incident,) = health.incidents
    (loss,) = incident.losses
    assert (incident.kind, incident.channel, incident.controllers) == (IncidentKind.DROPOUT, 0, ("address 0x31",))
    assert (loss.last_seen_ns, loss.onset_ns, loss.back_ns) == (10_003 * MS, 10_100 * MS, 15 * S)
    assert loss.steady_ns == 15_103 * MS
    assert loss.frames == (
        FramesAround(
            stream=key(A),
            before=tuple((9_700 * MS + k * 100 * MS, b"\x07\x07\x07") for k in range(4)),
            after=tuple((15 * S + k * 100 * MS, b"\x07\x07\x07") for k in range(4)),
        ),
        FramesAround(
            stream=key(A2),
            before=tuple((9_703 * MS + k * 100 * MS, b"\x07" * 8) for k in range(4)),
            after=tuple((15_003 * MS + k * 100 * MS, b"\x07" * 8) for k in range(4)),
        ),
    )
    lost = named(health, "address 0x31")
    assert (lost.channel, lost.identity, lost.state) == (0, Identity(address=0x31), ControllerState.STEADY)
    assert (lost.first_ns, lost.last_ns, lost.absences) == (0, UNTIL_NS, ((10_003 * MS, 15 * S),))
    assert (lost.lost_ns, lost.present_ns, lost.dropouts) == (4_997 * MS, UNTIL_NS - 4_997 * MS, 1)
    assert lost.frames == len(block) - 300
    assert [(one.key, one.cyclic, one.period_ns, one.deadline_ns) for one in lost.streams] == [
        (key(A), True, 100 * MS, 225 * MS),
        (key(A2), True, 100 * MS, 225 * MS),
    ]
    (kept,) = named(health, "address 0x42").streams
    assert (kept.frames, kept.first_ns, kept.last_ns) == (300, 7 * MS, 29_907 * MS)
    assert (kept.jitter_ns, kept.period_from) == (0, PeriodFrom.LEARNT)


def test_the_six_quickest_streams_are_shown() -> None:
    streams = [ticking(0x18FF0031 | k << 8, k * MS, period_ns=(80 - 5 * k) * MS) for k in range(8)]
    block = merged(*(one.without(*GONE) for one in streams), ticking(B, period_ns=20 * MS))
    ((loss,),) = [incident.losses for incident in health_of(block).incidents]
    assert [one.stream.id for one in loss.frames] == [0x18FF0031 | k << 8 for k in (7, 6, 5, 4, 3, 2)]


def test_a_loss_to_the_end_and_one_that_has_just_ended_are_told_apart() -> None:
    others = (ticking(B, 7 * MS), ticking(C, 11 * MS))
    for back_ns, state in (
        (UNTIL_NS + 1, ControllerState.LOST),
        (UNTIL_NS, ControllerState.STARTING),
        (UNTIL_NS - 100 * MS, ControllerState.STEADY),
    ):
        health = health_of(merged(ticking(A).without(10 * S, back_ns), *others))
        assert named(health, "address 0x31").state is state


def test_streams_that_are_late_are_named_with_their_periods() -> None:
    block = merged(
        ticking(A, period_ns=20 * MS),
        ticking(A2, 3 * MS, period_ns=S).without(10 * S, 16 * S),
        ticking(0x18FF0331, 5 * MS).without(10 * S, 12 * S),
        ticking(B),
    )
    (incident,) = health_of(block, [owing((A2, S), (0x18FF0331, 100 * MS))]).incidents
    assert (incident.kind, incident.channel, incident.controllers) == (IncidentKind.LATE, 0, ("address 0x31",))
    assert incident.why == ("missing: 0x18FF0231 (every 1.0 s), 0x18FF0331 (every 100 ms)",)
    (loss,) = incident.losses
    assert (loss.ran_on, loss.p_restarted, loss.evidence, loss.frames) == (RanOn.UNKNOWN, None, (), ())
    assert (loss.last_seen_ns, loss.onset_ns, loss.back_ns) == (9_003 * MS, 10_003 * MS, 16_003 * MS)
    assert loss.steady_ns == 17_003 * MS


def test_the_state_late_is_left_when_the_stream_is_back() -> None:
    fast, other = ticking(A, period_ns=20 * MS), ticking(B)
    for to_ns, state in ((31 * S, ControllerState.LATE), (29 * S, ControllerState.STEADY)):
        late = ticking(A2, 3 * MS).without(20 * S, to_ns)
        assert named(health_of(merged(fast, late, other), [owing((A2, 100 * MS))]), "address 0x31").state is state


@pytest.mark.parametrize(("channel", "n_late"), [(0, 0), (1, 1)])
def test_what_was_late_while_the_bus_was_silent_is_not_told_again(channel: int, n_late: int) -> None:
    # a and b are lost with channel 0 for a second; a slow stream misses its deadline, then and not before
    lost = [ticking(A).without(10 * S, 11 * S), ticking(B, 7 * MS).without(10 * S, 11 * S)]
    fast = ticking(C, period_ns=20 * MS, channel=channel)
    fast = fast.without(10 * S, 11 * S) if channel == 0 else fast
    slow = ticking(0x18FF0253, 9_300 * MS % (400 * MS), period_ns=400 * MS, channel=channel).without(9_600 * MS, 11 * S)
    other = ticking(0x18FF0164, channel=1)
    health = health_of(merged(*lost, fast, slow, other), [owing((slow.id, 400 * MS), channel=channel)])
    assert len(of_kind(health, IncidentKind.BUS_SILENCE)) == 1
    assert len(of_kind(health, IncidentKind.LATE)) == n_late


def test_what_was_late_beside_a_silence_of_the_bus_is_told() -> None:
    fast = [ticking(one, k * MS, period_ns=20 * MS).without(10 * S, 11 * S) for k, one in enumerate((A, B, C))]
    slow = ticking(0x18FF0253, 9 * MS, period_ns=400 * MS)
    late = slow.without(3 * S, 5 * S).without(8 * S, 14 * S).without(20 * S, 22 * S)
    found = of_kind(health_of(merged(*fast, late), [owing((late.id, 400 * MS))]), IncidentKind.LATE)
    assert [(one.last_seen_ns, one.back_ns) for one in found] == [
        (2_809 * MS, 5_209 * MS),
        (19_609 * MS, 22_009 * MS),
    ]


@pytest.mark.parametrize(
    ("from_ns", "to_ns", "n"),
    [
        (8_800 * MS, 10_000 * MS, 1),  # it was back as the bus fell silent
        (9_600 * MS, 11_200 * MS, 0),
        (10_000 * MS, 11_600 * MS, 0),
        (11_200 * MS, 12_400 * MS, 1),  # it was last heard as the bus came back
    ],
)
def test_a_stream_that_was_late_through_part_of_a_silence_of_the_bus_is_not_told(
    from_ns: int, to_ns: int, n: int
) -> None:
    # the bus is silent from 10.0 to 11.2 s: two are lost with it, not the third, whose other stream is slower still
    silent = (10 * S, 11_200 * MS)
    lost = [ticking(one, k * MS).without(*silent) for k, one in enumerate((A, B))]
    slow = ticking(0x18FF0253, 600 * MS, period_ns=1_200 * MS).without(*silent)
    late = ticking(C, period_ns=400 * MS).without(*silent).without(from_ns, to_ns).without(20 * S, 21_600 * MS)
    health = health_of(merged(*lost, slow, late), [owing((C, 400 * MS))])
    (bus,) = of_kind(health, IncidentKind.BUS_SILENCE)
    assert (bus.controllers, bus.last_seen_ns) == (("address 0x42", "address 0x31"), 10 * S)
    found = of_kind(health, IncidentKind.LATE)
    assert [one.last_seen_ns for one in found] == [from_ns] * n + [20 * S]


def test_the_bus_was_not_lost_before_its_last_frame() -> None:
    # the frame of a that was missed first was due 3 ms before the last frame of b
    cut = [ticking(A).without(10 * S, 15 * S), ticking(B, 3 * MS).without(10_103 * MS, 15 * S)]
    (incident,) = health_of(merged(*cut)).incidents
    assert (incident.kind, incident.losses[0].onset_ns) == (IncidentKind.BUS_SILENCE, 10_100 * MS)
    assert (incident.last_seen_ns, incident.onset_ns) == (10_103 * MS, 10_103 * MS)


def test_a_silence_of_all_channels_is_on_none_of_them_though_it_lost_nobody_on_one() -> None:
    lost = [ticking(one, k * MS).without(10 * S, 10_800 * MS) for k, one in enumerate((A, B))]
    kept = ticking(C, period_ns=400 * MS, channel=1).without(10 * S, 10_800 * MS)  # may be missed for 900 ms
    requests = ticking(0x18EAFF53, channel=1).without(10 * S, 10_800 * MS)  # SAE J1939-21: no rhythm
    (incident,) = health_of(merged(*lost, kept, requests)).incidents
    assert (incident.kind, incident.channel) == (IncidentKind.BUS_SILENCE, None)
    assert incident.controllers == ("address 0x42", "address 0x31")


def test_a_word_within_a_silence_of_the_bus_makes_two_silences_and_no_dropout() -> None:
    cut = [ticking(one, k * MS).without(*GONE) for k, one in enumerate((A, B, C))]
    first, second = health_of(merged(*cut, at(A, 12 * S, b"\x07" * 8))).incidents
    assert (first.kind, first.channel, first.controllers) == (IncidentKind.BUS_SILENCE, 0, ("address 0x31",))
    assert (first.last_seen_ns, first.onset_ns, first.back_ns) == (10 * S, 10_100 * MS, 12 * S)
    assert (second.kind, second.channel) == (IncidentKind.BUS_SILENCE, 0)
    assert [(one.controller, one.last_seen_ns, one.onset_ns, one.back_ns) for one in second.losses] == [
        ("address 0x42", 9_901 * MS, 10_001 * MS, 15_001 * MS),
        ("address 0x53", 9_902 * MS, 10_002 * MS, 15_002 * MS),
        ("address 0x31", 12 * S, 12_100 * MS, 15 * S),
    ]
    # the bus itself is back with the first frame of anybody
    assert (second.last_seen_ns, second.onset_ns, second.back_ns) == (12 * S, 12 * S, 15 * S)


def test_dropouts_and_restarts_are_counted() -> None:
    claim = at(0x18EEFF31, 14_990 * MS, NAME)  # SAE J1939-81: an address is claimed at power-up
    again = (24_700 * MS, 24_900 * MS)  # one frame missed, which no deadline minds
    a = ticking(A).without(*GONE).without(*again)
    block = merged(a, ticking(B, 7 * MS), claim, at(0x18EEFF31, 24_900 * MS, NAME))
    health = health_of(block)
    lost = named(health, "address 0x31")
    assert (lost.dropouts, lost.restarts) == (1, 2)
    assert [incident.kind for incident in health.incidents] == [IncidentKind.DROPOUT, IncidentKind.RESTART]
    assert (named(health, "address 0x42").dropouts, named(health, "address 0x42").restarts) == (0, 0)
    assert lost.identity == Identity(address=0x31, can_name=int.from_bytes(NAME, "little"))


@pytest.mark.parametrize(("after_ns", "belongs"), [(5 * S, True), (5 * S + MS, False)])
def test_a_claim_five_seconds_after_it_was_in_step_belongs_to_the_loss(after_ns: int, belongs: bool) -> None:
    claim = at(0x18EEFF31, 15_100 * MS + after_ns, NAME)
    health = health_of(merged(ticking(A).without(*GONE), ticking(B, 7 * MS), claim))
    dropout = health.incidents[0]
    assert ("it sent an address claim that nobody had asked for" in dropout.why) is belongs
    assert of_kind(health, IncidentKind.RESTART) == []  # it missed no beat then


def weighed(*signs: Sign, back_ns: int = 15 * S) -> Loss:
    """Give the loss of a controller from which also these signs came."""
    watch = HealthWatch()
    watch.feed(merged(ticking(A).without(10 * S, back_ns), ticking(B, 7 * MS)))
    watch._observed.signs += signs
    ((loss,),) = [incident.losses for incident in of_kind(watch.close(), IncidentKind.DROPOUT)]
    return loss


def sign(kind: SignKind, t_ns: int, *, asked: bool = False) -> Sign:
    return Sign(t_ns=t_ns, channel=0, kind=kind, address=0x31, asked=asked)


@pytest.mark.parametrize(
    ("kind", "before_ns", "words"),
    [
        (SignKind.HEARTBEAT_LAST, 1 * S, "it had announced an orderly shutdown"),
        (SignKind.HEARTBEAT_FIRST, 0, "it sent a first heartbeat that nobody had asked for"),
    ],
)
def test_a_shutdown_is_announced_up_to_a_second_before_the_last_frame_and_a_start_after_it(
    kind: SignKind, before_ns: int, words: str
) -> None:
    assert words not in weighed(sign(kind, 10 * S - before_ns)).evidence
    assert words in weighed(sign(kind, 10 * S - before_ns + 1)).evidence


def test_what_was_asked_for_makes_nobody_one_that_announces_its_starts() -> None:
    asked = weighed(sign(SignKind.ADDRESS_CLAIM, 25 * S, asked=True))
    assert (asked.p_restarted, asked.evidence) == (weighed().p_restarted, weighed().evidence)
    late = weighed(sign(SignKind.ADDRESS_CLAIM, 25 * S))  # while it sent as ever: somebody had asked
    assert late.evidence == weighed().evidence
    unasked = weighed(sign(SignKind.ADDRESS_CLAIM, S))
    assert "it did not announce a start, as it does otherwise" in unasked.evidence


@pytest.mark.parametrize(("signs", "n"), [((), 0), ((True,), 0), ((False,), 1)])
def test_a_short_silence_before_a_start_that_nobody_asked_for_is_a_loss(signs: tuple[bool, ...], n: int) -> None:
    watch = HealthWatch()
    slow = ticking(A2, 50 * MS, period_ns=S)
    watch.feed(merged(ticking(A).without(10_100 * MS, 10_400 * MS), slow, ticking(B, 7 * MS)))
    watch._observed.signs += [sign(SignKind.HEARTBEAT_FIRST, 10_350 * MS, asked=asked) for asked in signs]
    assert len(of_kind(watch.close(), IncidentKind.DROPOUT)) == n


def test_a_sign_is_of_its_sender_alone() -> None:
    watch = HealthWatch()
    watch.feed(merged(ticking(A).without(*GONE), ticking(B, 7 * MS).without(18 * S, 20 * S), ticking(C, 9 * MS)))
    for t_ns in (14_950 * MS, 19_950 * MS):
        watch._observed.signs.append(sign(SignKind.HEARTBEAT_FIRST, t_ns))
    first, second = (incident.losses[0] for incident in of_kind(watch.close(), IncidentKind.DROPOUT))
    words = "it sent a first heartbeat that nobody had asked for"
    assert (words in first.evidence, words in second.evidence) == (True, False)


def test_a_heartbeat_says_no_name_and_takes_none_away() -> None:
    watch = HealthWatch()
    watch.feed(merged(ticking(A), at(0x18EEFF31, 1, NAME)))
    watch._observed.signs.append(sign(SignKind.HEARTBEAT_FIRST, 5 * S))
    assert named(watch.close(), "address 0x31").identity.can_name == int.from_bytes(NAME, "little")


def test_one_that_announced_its_start_and_is_gone_is_not_known_to_have_restarted() -> None:
    gone = weighed(sign(SignKind.ADDRESS_CLAIM, 5 * S), back_ns=UNTIL_NS + 1)
    assert (gone.back_ns, gone.ran_on) == (None, RanOn.UNKNOWN)


def test_a_slow_controller_is_lost_with_a_fast_one_within_its_own_deadline() -> None:
    slow = ticking(A, period_ns=400 * MS, until_ns=60 * S)  # its deadline is 900 ms
    fast = ticking(B, 7 * MS, until_ns=60 * S)
    other = ticking(C, 9 * MS, until_ns=60 * S)
    for lag_ns, n in ((800 * MS, 1), (1_000 * MS, 2)):  # the slow one's first frame missed is at 10.4 s
        block = merged(slow.without(10 * S, 30 * S), fast.without(10_407 * MS + lag_ns, 30 * S), other)
        assert len(of_kind(health_of(block), IncidentKind.DROPOUT)) == n


# Identifiers that nobody owns


def unowned(identifier: int, first_ns: int, gone: tuple[int, int]) -> Sent:
    return ticking(identifier, first_ns, extended=False).without(*gone)


def test_identifiers_that_vanish_together_are_one_controller_from_the_first_frame_to_the_last() -> None:
    before = (3 * S, 5 * S)
    streams = [unowned(one, k * MS, GONE).without(*before) for one, k in ((0x1B0, 40), (0x1A0, 10))]
    streams.append(ticking(0x2C0, extended=False))
    health = health_of(merged(*streams))
    group = named(health, "id 0x1A0")
    assert [one.name for one in health.controllers] == ["id 0x2C0", "id 0x1A0"]
    assert (group.channel, group.identity) == (0, Identity())
    assert [one.key.id for one in group.streams] == [0x1A0, 0x1B0]
    assert (group.first_ns, group.last_ns) == (10 * MS, 29_940 * MS)
    assert group.absences[1:] == ((9_940 * MS, 15_010 * MS),)  # from the last frame of either to the first of either


def test_identifiers_that_vanish_for_good_are_lost_together() -> None:
    gone = (10 * S, UNTIL_NS + 1)
    health = health_of(merged(*(unowned(0x1A0 + 16 * k, k * 10 * MS, gone) for k in (0, 1)), ticking(A)))
    (incident,) = health.incidents
    assert (incident.controllers, incident.last_seen_ns, incident.back_ns) == (("id 0x1A0",), 10 * S, None)


def test_a_loss_that_the_whole_channel_shared_groups_nobody() -> None:
    for gone in (GONE, (20 * S, UNTIL_NS + 1)):
        streams = [unowned(0x1A0 + 16 * k, k * 10 * MS, gone) for k in (0, 1, 2)]
        watch = HealthWatch()
        watch.feed(merged(*streams))
        names = [one.name for one in watch.close(UNTIL_NS).controllers]
        assert names == ["id 0x1A0", "id 0x1B0", "id 0x1C0"]


def test_an_event_that_nobody_owns_stands_for_itself() -> None:
    health = health_of(merged(ticking(A), at(0x3F1, 5 * S, b"\x01", extended=False)))
    event = named(health, "id 0x3F1")
    assert (event.frames, event.first_ns, event.last_ns, event.absences) == (1, 5 * S, 5 * S, ())
    assert event.state is ControllerState.NOT_JUDGED  # one frame tells nothing of a rhythm


def test_what_vanishes_together_on_two_channels_is_two() -> None:
    streams = [ticking(0x1A0 + 16 * k, extended=False, channel=k).without(*GONE) for k in (0, 1)]
    others = [ticking(0x2C0, 7 * MS, extended=False, channel=k) for k in (0, 1)]
    assert len(health_of(merged(*streams, *others)).controllers) == 4


# Several channels, maps and names


def test_controllers_beyond_the_first_channel_are_named_with_theirs() -> None:
    channels = ChannelTable()
    for name in ("can0", "can1"):
        channels.number(name)
    sent = [
        *(ticking(A, channel=channel) for channel in (0, 1)),
        *(ticking(0x1A0, 3 * MS, extended=False, channel=channel) for channel in (0, 1)),
    ]
    watch = HealthWatch(channels=channels)
    watch.feed(merged(*sent))
    assert {one.name: one.channel for one in watch.close().controllers} == {
        "address 0x31": 0,
        "address 0x31 on can1": 1,
        "id 0x1A0": 0,
        "id 0x1A0 on can1": 1,
    }


def test_specs_come_first_in_their_order_and_those_never_heard_last() -> None:
    specs = (spec("ghost", address=0x77), spec("broom", address=0x42), spec("hopper", address=0x31))
    block = merged(ticking(A), ticking(B, 7 * MS), ticking(C, 9 * MS))
    health = health_of(block, specs)
    assert [one.name for one in health.controllers] == ["broom", "hopper", "address 0x53", "ghost"]
    ghost = health.controllers[-1]
    assert (ghost.state, ghost.channel, ghost.frames, ghost.streams) == (ControllerState.NEVER_SEEN, None, 0, ())
    assert (ghost.present_ns, ghost.lost_ns, ghost.absences) == (0, 0, ())
    assert (ghost.dropouts, ghost.restarts, ghost.first_ns, ghost.last_ns) == (0, 0, None, None)
    watch = HealthWatch(specs)
    watch.feed(block)
    assert watch.close().controllers[-1].absences == ()
    assert ghost.identity == Identity(address=0x77)
    later = replace(block, t_ns=block.t_ns + 1000 * S)
    expected = health_of(later, specs[1:] + specs[:1], complete=True).controllers[-1]
    assert (expected.lost_ns, expected.absences) == (UNTIL_NS, ((1000 * S, 1000 * S + UNTIL_NS),))
    nothing = HealthWatch(specs, complete=True).close(5 * S)
    assert [(one.lost_ns, one.absences) for one in nothing.controllers] == [(0, ())] * 3
    on_one = health_of(block, (replace(specs[0], channel=1),)).controllers[-1]
    assert on_one.channel == 1
    by_name = health_of(block, (replace(specs[0], channel="can1"),)).controllers[-1]
    assert by_name.channel is None


def test_a_controller_that_a_complete_map_expects_was_lost_until_its_first_frame_past_its_deadline() -> None:
    specs = (spec("hopper", address=0x31),)
    for first_ns, absences in ((225 * MS, ()), (226 * MS, ((0, 226 * MS),))):
        block = merged(ticking(A, first_ns), ticking(B))
        hopper = named(health_of(block, specs, complete=True), "hopper")
        assert hopper.absences == absences
        assert hopper.lost_ns + hopper.present_ns == UNTIL_NS - (0 if absences else first_ns)


@pytest.mark.parametrize("first_ns", [1, 5 * S])
def test_whoever_sends_events_alone_is_expected_from_the_start(first_ns: int) -> None:
    block = merged(at(0x18EF3131, first_ns, b"\x01"), ticking(B))
    health = health_of(block, (spec("hopper", address=0x31),), complete=True)
    assert named(health, "hopper").absences == ((0, first_ns),)


def test_the_time_before_its_first_frame_counts_from_the_start_of_the_recording() -> None:
    specs = (spec("hopper", address=0x31), spec("broom", address=0x42))
    block = merged(ticking(A, 5 * S).without(*GONE), ticking(B))
    block = replace(block, t_ns=block.t_ns + 1000 * S)
    hopper, broom = health_of(block, specs, complete=True).controllers
    assert hopper.absences == ((1000 * S, 1005 * S), (1010 * S, 1015 * S))
    assert broom.absences == ()


def test_a_complete_map_expects_nobody_else_from_the_start() -> None:
    block = merged(ticking(A), ticking(B, 5 * S))
    health = health_of(block, (spec("hopper", address=0x31),), complete=True)
    assert named(health, "address 0x42").absences == ()


def test_an_expected_stream_heard_once_is_still_starting() -> None:
    expects = (ExpectedStream(id=A2, extended=True, period_ns=10 * S, period_from=PeriodFrom.MAP),)
    hopper = ControllerSpec(name="hopper", identity=Identity(address=0x31), expects=expects)
    for n, state in ((1, ControllerState.STARTING), (2, ControllerState.STEADY)):
        slow = Sent(id=A2, t_ns=np.arange(n, dtype=np.int64) * 10 * S + 12 * S)
        health = health_of(merged(ticking(A), slow, ticking(B)), (hopper,))
        assert named(health, "hopper").state is state
        (slow_stream,) = [one for one in named(health, "hopper").streams if one.key.id == A2]
        assert (slow_stream.period_ns, slow_stream.period_from) == (10 * S, PeriodFrom.MAP)


@pytest.mark.parametrize(("n", "cyclic"), [(16, True), (17, False)])
def test_sixteen_intervals_show_that_a_stream_does_not_keep_the_period_of_its_map(n: int, cyclic: bool) -> None:
    expects = (ExpectedStream(id=A, extended=True, period_ns=100 * MS, period_from=PeriodFrom.MAP),)
    hopper = ControllerSpec(name="hopper", identity=Identity(address=0x31), expects=expects)
    drawn_out = Sent(id=A, t_ns=np.arange(n, dtype=np.int64) ** 2 * 37 * MS)
    (stream,) = named(health_of(merged(drawn_out, ticking(B)), (hopper,)), "hopper").streams
    assert (stream.cyclic, stream.period_ns, stream.period_from) == (cyclic, 100 * MS, PeriodFrom.MAP)


# The recorder


def test_gaps_of_the_recorder_are_told_in_order_and_excuse_their_channel_alone() -> None:
    sent = [ticking(A).without(*GONE), ticking(B, 7 * MS), ticking(A, 3 * MS, channel=1).without(*GONE)]
    watch = HealthWatch()
    watch.feed(merged(*sent, ticking(B, channel=1)))
    watch.note_gap(20 * S, 21 * S, None, "the disk was full")
    watch.note_gap(9_900 * MS, 15 * S, 0, "the adapter was away")
    watch.note_gap(25 * S, 26 * S)
    health = watch.close()
    assert health.gaps == (
        Gap(channel=0, from_ns=9_900 * MS, to_ns=15 * S, kind=GapKind.CAPTURE_GAP, why="the adapter was away"),
        Gap(channel=None, from_ns=20 * S, to_ns=21 * S, kind=GapKind.CAPTURE_GAP, why="the disk was full"),
        Gap(channel=None, from_ns=25 * S, to_ns=26 * S, kind=GapKind.CAPTURE_GAP, why=""),
    )
    first, second, third, fourth = health.incidents
    assert (first.kind, first.channel, first.controllers, first.why) == (
        *(IncidentKind.CAPTURE_GAP, 0, ()),
        ("the adapter was away",),
    )
    assert (first.last_seen_ns, first.onset_ns, first.back_ns, first.steady_ns) == (
        *(9_900 * MS, 9_900 * MS),
        *(15 * S, 15 * S),
    )
    assert (first.ran_on, first.p_restarted, first.losses) == (RanOn.UNKNOWN, None, ())
    assert (second.kind, second.controllers) == (IncidentKind.DROPOUT, ("address 0x31 on 1",))
    assert (third.why, fourth.why) == (("the disk was full",), ())


def test_gaps_of_the_same_time_are_told_by_channel() -> None:
    watch = HealthWatch()
    watch.feed(merged(ticking(A), ticking(B, channel=1)))
    for channel in (1, 0, None):
        watch.note_gap(20 * S, 21 * S, channel)
    assert [gap.channel for gap in watch.close().gaps] == [None, 0, 1]


def test_an_open_gap_counts_for_now_alone() -> None:
    watch = HealthWatch()
    watch.feed(merged(ticking(A).without(*GONE), ticking(B, 7 * MS)))
    gap = Gap(channel=None, from_ns=10 * S, to_ns=15 * S, kind=GapKind.CAPTURE_GAP)
    now = watch.so_far(UNTIL_NS, (gap,))
    assert [one.kind for one in now.incidents] == [IncidentKind.CAPTURE_GAP]
    assert (now.incidents[0].why, now.gaps) == ((), (gap,))
    assert [one.kind for one in watch.close().incidents] == [IncidentKind.DROPOUT]


def overflow(t_ns: int, *, channel: int = 0, status: int = 1, kind: int = 4) -> Sent:
    # Linux header can/error.h: class 0x04 controller problems, data[1] bit 0x01 rx overflow
    return at(kind, t_ns, bytes([0, status]), extended=False, channel=channel, flags=FrameFlag.ERROR)


def test_receive_overflows_within_a_second_are_one_gap_with_a_margin_of_50_ms() -> None:
    watch = HealthWatch()
    watch.feed(merged(ticking(A), ticking(B), overflow(5 * S), overflow(6 * S), overflow(7 * S + MS)))
    watch.feed(merged(overflow(31 * S), overflow(31_500 * MS, channel=1)))
    watch.feed(merged(overflow(31_600 * MS)))
    gaps = [gap for gap in watch.close().gaps if gap.kind is GapKind.CAPTURE_GAP]
    assert [(gap.channel, gap.from_ns, gap.to_ns) for gap in gaps] == [
        (0, 4_950 * MS, 6_050 * MS),
        (0, 6_951 * MS, 7_051 * MS),
        (0, 30_950 * MS, 31_650 * MS),
        (1, 31_450 * MS, 31_550 * MS),
    ]
    (why,) = {gap.why for gap in gaps}
    assert why == "frames lost in the laptop (receive overflow)"
    assert watch.close().error_frames == 6


def test_other_error_frames_are_no_overflow() -> None:
    health = health_of(merged(ticking(A), overflow(5 * S, status=2), overflow(6 * S, kind=2)))
    assert (health.gaps, health.error_frames) == ((), 2)


def test_what_was_left_out_is_said() -> None:
    n = 4100
    many = FrameBlock(
        t_ns=np.arange(n, dtype=np.int64) * MS,
        channel=np.zeros(n, np.uint8),
        id=(0x18000000 + np.arange(n) * 256).astype(np.uint32),
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )
    own = replace(ticking(B, until_ns=S), flags=FrameFlag.TRANSMITTED)
    watch = HealthWatch()
    watch.feed(many)
    watch.feed(replace(many.slice(n - 5, n), t_ns=np.full(5, n * MS, np.int64)))
    watch.feed(replace(merged(own), t_ns=merged(own).t_ns + 5 * S))
    assert watch.close().warnings == (
        "11 frames were sent by the recorder itself and prove no controller's presence",
        "8 frames of identifiers beyond the first 4096 were not watched",
    )
    assert watch.close().frames == n + 5 + 11


def test_frames_on_a_channel_of_no_watched_stream_are_no_sound_of_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busdoc.health.presence.watch._MOST_STREAMS", 2)
    watch = HealthWatch()
    watch.feed(merged(*(ticking(A, k * MS, channel=k) for k in range(2)), at(A, UNTIL_NS + S, b"", channel=2)))
    channels = watch._observed.channels
    assert channels.n == 2
    assert (channels.count[:2].tolist(), channels.last_ns[:2].tolist()) == ([301, 300], [UNTIL_NS, 29_901 * MS])


def test_a_bus_falls_silent_though_a_channel_of_no_watched_stream_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busdoc.health.presence.watch._MOST_STREAMS", 2)
    watch = HealthWatch()
    watched = [ticking(one, k * MS).without(*GONE) for k, one in enumerate((A, B))]
    watch.feed(merged(*watched, ticking(C, 5 * MS, channel=1)))
    (silence,) = of_kind(watch.close(), IncidentKind.BUS_SILENCE)
    assert (silence.last_seen_ns, silence.back_ns) == (10 * S, 15 * S)


def test_streams_owners_and_channels_are_counted_as_they_come() -> None:
    watch = HealthWatch()
    for k, sent in enumerate((ticking(A), ticking(A2), ticking(B, channel=1), ticking(0x600, extended=False))):
        watch.feed(replace(merged(sent), t_ns=merged(sent).t_ns + k * 31 * S))
    observed = watch._observed
    assert (observed.streams.n, observed.groups.n, observed.channels.n) == (4, 2, 2)


def test_only_frames_of_one_byte_on_the_error_control_of_a_node_prove_it() -> None:
    # CiA 301: 0x700 + node, nodes 1 to 127
    def sent(identifier: int, t_ns: int, length: int, *, extended: bool = False) -> Sent:
        return at(identifier, t_ns, bytes(length), extended=extended)

    watch = HealthWatch()
    first = [sent(one, k, 1) for k, one in enumerate((0x700, 0x701, 0x77F, 0x780, 0x702, 0x703))]
    watch.feed(merged(*first, sent(0x704, 7, 2), sent(0x705, 8, 1, extended=True)))
    watch.feed(merged(sent(0x702, 9, 2), sent(0x703, 10, 1), sent(0x704, 11, 1)))
    assert watch._observed.proven_nodes() == {(0, 1), (0, 0x7F), (0, 3)}


def test_what_comes_block_by_block_adds_up() -> None:
    watch = HealthWatch()
    for k in range(2):
        own = Sent(id=B, t_ns=np.arange(3, dtype=np.int64) * MS + k * S, flags=FrameFlag.TRANSMITTED)
        watch.feed(merged(ticking(A, k * S, until_ns=k * S + 900 * MS), own, at(0x18EEFF31, k * S + 1, NAME)))
    health = watch.close()
    assert [(one.name, one.frames) for one in health.controllers] == [("address 0x31", 22)]
    assert health.warnings == ("6 frames were sent by the recorder itself and prove no controller's presence",)
    assert [one.t_ns for one in watch.signs] == [1, S + 1]


def test_signs_beyond_the_most_are_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busdoc.health.presence.watch._MOST_SIGNS", 2)
    watch = HealthWatch()
    for k in range(3):
        watch.feed(merged(at(0x18EEFF31, k * S, NAME)))
    assert [one.t_ns for one in watch.signs] == [0, S]


# Asked on the way


def test_nothing_is_judged_before_the_last_frame() -> None:
    assert (HealthWatch().so_far(5 * S).start_ns, HealthWatch().so_far(5 * S).until_ns) == (5 * S, 5 * S)
    assert HealthWatch().close().until_ns == 0
    assert HealthWatch().start_ns is None
    watch = HealthWatch()
    watch.feed(merged(ticking(A, S), ticking(B, S)))
    assert (watch.start_ns, watch.close().until_ns, watch.close(10 * S).until_ns) == (S, UNTIL_NS, UNTIL_NS)
    assert (watch.close(40 * S).until_ns, watch.so_far(31 * S).until_ns) == (40 * S, 31 * S)
    assert [one.name for one in watch.close(40 * S).controllers if one.state is ControllerState.LOST] == [
        *("address 0x31", "address 0x42")
    ]


def lost_once(until_ns: int = UNTIL_NS) -> HealthWatch:
    watch = HealthWatch()
    watch.feed(merged(ticking(A, until_ns=until_ns).without(*GONE), ticking(B, 7 * MS, until_ns=until_ns)))
    return watch


@pytest.mark.parametrize(("until_ns", "is_past"), [(25_100 * MS, False), (25_100 * MS + 1, True)])
def test_a_return_is_settled_ten_seconds_after_the_controller_was_in_step(until_ns: int, is_past: bool) -> None:
    settled: dict[LossKey, Settled] = {}
    observed = lost_once(25_100 * MS)._observed
    health = judge(observed, until_ns, settled=settled)
    assert list(settled) == [("address 0x31", 10 * S, 15 * S)] * is_past
    if is_past:
        ((loss,),) = [incident.losses for incident in health.incidents]
        assert settled["address 0x31", 10 * S, 15 * S].frames == loss.frames


def test_what_is_settled_is_told_again_and_not_weighed() -> None:
    found = RestartFinding(ran_on=RanOn.RESTARTED, p_restarted=0.97, evidence=("as settled",))
    settled: dict[LossKey, Settled] = {("address 0x31", 10 * S, 15 * S): Settled(found=found, frames=())}
    observed = lost_once()._observed
    (incident,) = judge(observed, UNTIL_NS, settled=settled).incidents
    assert (incident.ran_on, incident.p_restarted, incident.why) == (RanOn.RESTARTED, 0.97, ("as settled",))
    (anew,) = judge(observed, UNTIL_NS).incidents
    assert anew.why != ("as settled",)


def test_a_live_watch_settles_returns_and_the_end_weighs_them_anew() -> None:
    watch = lost_once(40 * S)
    (live,) = watch.so_far(40 * S).incidents
    assert list(watch._settled) == [("address 0x31", 10 * S, 15 * S)]
    watch.feed(merged(at(0x18EEFF31, 41 * S, NAME)))  # from now on it is known to announce its starts
    (later, _) = watch.so_far(41 * S).incidents
    assert later.p_restarted == live.p_restarted
    (end, _) = watch.close().incidents
    assert end.p_restarted != live.p_restarted
    assert "it did not announce a start, as it does otherwise" in end.why


def test_a_loss_again_before_it_was_in_step_settles_the_return_and_one_that_lasts_settles_nothing() -> None:
    watch = HealthWatch()
    flicker = ticking(A).without(10 * S, 12 * S).without(12 * S, 14 * S)
    watch.feed(merged(flicker, ticking(B, 7 * MS)))
    settled: dict[LossKey, Settled] = {}
    judge(watch._observed, 22 * S + 8 * S, settled=settled)
    assert [key[1:] for key in settled] == [(10 * S, 12 * S), (12 * S, 14 * S)]
    gone = HealthWatch()
    gone.feed(merged(ticking(A).without(10 * S, 31 * S), ticking(B, 7 * MS)))
    never: dict[LossKey, Settled] = {}
    judge(gone._observed, 60 * S, settled=never)
    assert never == {} or all(key[2] is not None for key in never)


def test_a_rhythm_is_learnt_again_when_a_tenth_more_has_come() -> None:
    # live: from a hundred frames on, one learnt from nine tenths of them is good enough
    def after(counts: tuple[int, ...], *, live: bool) -> int:
        watch = HealthWatch()
        done = 0
        for count in counts:
            watch.feed(merged(ticking(A, done * 100 * MS, until_ns=(count - 1) * 100 * MS)))
            judge(watch._observed, count * 100 * MS, settled={} if live else None)
            done = count
        return watch._observed.rhythms[0][0][0]

    assert after((100, 111), live=True) == 100
    assert after((100, 112), live=True) == 112
    assert after((108, 120), live=True) == 108
    assert after((99, 105), live=True) == 105
    assert after((100, 101), live=False) == 101


def test_a_rhythm_is_not_learnt_again_from_the_same_frames() -> None:
    observed = lost_once()._observed
    judge(observed, UNTIL_NS)
    known = dict(observed.rhythms)
    judge(observed, UNTIL_NS)
    assert [observed.rhythms[row] is one for row, one in known.items()] == [True, True]


@pytest.mark.parametrize(("waited_ns", "n"), [(400 * MS, 1), (400 * MS + 1, 2)])
def test_a_silence_that_the_rhythm_has_is_none(waited_ns: int, n: int) -> None:
    pauses = ticking(A).without(5 * S, 5_300 * MS).without(10 * S, 10_400 * MS).without(15 * S, 15_500 * MS)
    watch = HealthWatch()
    watch.feed(merged(pauses))
    rhythm = Rhythm(
        cyclic=True,
        period_ns=100 * MS,
        jitter_ns=0,
        slowest_ns=400 * MS,
        deadline_ns=900 * MS,
        exact_period_ns=None,
    )
    stream = _cyclic_stream(watch._observed, 0, rhythm, UNTIL_NS + waited_ns)
    assert stream.silent_from_ns == (15 * S, UNTIL_NS)[:n]
    assert [silence.to_ns for silence in stream.silences] == [15_500 * MS, None][:n]
