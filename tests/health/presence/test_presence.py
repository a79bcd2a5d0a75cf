"""When controllers are lost, late and back, on small made-up traffic."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.controller import ControllerState
from busdoc.health.incident import GapKind, IncidentKind, RanOn
from busdoc.health.presence.watch import HealthWatch
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from tests.health.made_traffic import MS, Maker, S, Sent, at, health_of, merged, named, of_kind, owing

FAST, SLOW, OTHER, THIRD = 0x18FF0131, 0x18FF0231, 0x18FF0142, 0x18FF0153


def two_controllers(until_ns: int = 60 * S, seed: int = 1) -> tuple[Sent, Sent, Sent]:
    """Give a fast and a slow stream of controller 0x31, and a fast one of 0x42."""
    maker = Maker(seed=seed)
    return (
        maker.cyclic(FAST, 20 * MS, until_ns),
        maker.cyclic(SLOW, S, until_ns),
        maker.cyclic(OTHER, 50 * MS, until_ns),
    )


def test_healthy_traffic_has_no_incidents() -> None:
    health = health_of(merged(*two_controllers()))
    assert health.incidents == ()
    assert [controller.state for controller in health.controllers] == [ControllerState.STEADY] * 2
    assert {controller.name for controller in health.controllers} == {"address 0x31", "address 0x42"}


def test_a_silence_of_one_controller_is_a_dropout_with_its_bounds() -> None:
    fast, slow, other = two_controllers()
    block = merged(fast.without(20 * S, 25 * S), slow.without(20 * S, 25 * S), other)
    (incident,) = health_of(block).incidents
    own = np.sort(np.concatenate((fast.t_ns, slow.t_ns)))
    assert incident.kind is IncidentKind.DROPOUT
    assert incident.controllers == ("address 0x31",)
    assert incident.last_seen_ns == own[own <= 20 * S][-1]
    assert 20 * S < incident.onset_ns <= 20 * S + 20 * MS
    assert incident.back_ns == own[own >= 25 * S][0]
    assert incident.steady_ns is not None
    assert 25 * S < incident.steady_ns < 28 * S


def test_a_slow_stream_does_not_hide_what_fast_ones_prove() -> None:
    maker = Maker(seed=2)
    streams = [maker.cyclic(FAST, 20 * MS, 60 * S), maker.cyclic(SLOW, 50 * MS, 60 * S)]
    heartbeat = maker.cyclic(0x18FF0331, 5 * S, 60 * S)
    inside = heartbeat.t_ns[5] + 100 * MS
    cut = [stream.without(inside, inside + S) for stream in streams]
    (incident,) = of_kind(health_of(merged(*cut, heartbeat, two_controllers()[2])), IncidentKind.DROPOUT)
    assert incident.back_ns is not None
    assert incident.back_ns - incident.last_seen_ns < 1.1 * S


def test_one_stream_missing_while_others_go_on_is_late() -> None:
    fast, slow, other = two_controllers()
    (incident,) = health_of(merged(fast, slow.without(20 * S, 30 * S), other), [owing((SLOW, S))]).incidents
    assert incident.kind is IncidentKind.LATE
    assert incident.controllers == ("address 0x31",)
    assert incident.why == ("missing: 0x18FF0231 (every 1.0 s)",)
    assert incident.back_ns is not None
    assert incident.back_ns >= 30 * S


def test_a_stream_that_stops_for_good_leaves_its_controller_late() -> None:
    fast, slow, other = two_controllers()
    health = health_of(merged(fast, slow.without(40 * S, 61 * S), other), [owing((SLOW, S))])
    assert named(health, "address 0x31").state is ControllerState.LATE


def test_silence_to_the_end_is_a_dropout_without_return() -> None:
    fast, slow, other = two_controllers()
    health = health_of(merged(fast.without(50 * S, 61 * S), slow.without(50 * S, 61 * S), other))
    (incident,) = health.incidents
    assert (incident.kind, incident.back_ns, incident.ran_on) == (IncidentKind.DROPOUT, None, RanOn.UNKNOWN)
    controller = named(health, "address 0x31")
    assert controller.state is ControllerState.LOST
    assert controller.absences[-1][1] == health.until_ns
    assert controller.lost_ns + controller.present_ns == health.until_ns - (controller.first_ns or 0)


def test_what_is_missing_right_now_is_told_and_feeding_goes_on() -> None:
    fast, slow, other = two_controllers()
    block = merged(fast.without(30 * S, 35 * S), slow.without(30 * S, 35 * S), other)
    row = int(np.searchsorted(block.t_ns, 33 * S))
    watch = HealthWatch()
    watch.feed(block.slice(0, row))
    assert named(watch.so_far(33 * S), "address 0x31").state is ControllerState.LOST
    watch.feed(block.slice(row, len(block)))
    assert watch.close() is not None
    assert [i.back_ns is not None for i in watch.close().incidents] == [True]


def test_controllers_that_fall_within_one_deadline_are_one_incident_in_order() -> None:
    maker = Maker(seed=3)
    a, b, c = (maker.cyclic(identifier, 20 * MS, 60 * S) for identifier in (FAST, OTHER, THIRD))
    block = merged(a.without(20 * S + 30 * MS, 24 * S), b.without(20 * S, 24 * S), c)
    (incident,) = health_of(block).incidents
    assert incident.controllers == ("address 0x42", "address 0x31")
    assert [loss.controller for loss in incident.losses] == ["address 0x42", "address 0x31"]


def test_controllers_that_fall_apart_are_two_incidents() -> None:
    maker = Maker(seed=3)
    a, b, c = (maker.cyclic(identifier, 20 * MS, 60 * S) for identifier in (FAST, OTHER, THIRD))
    block = merged(a.without(21 * S, 24 * S), b.without(20 * S, 24 * S), c)
    assert len(of_kind(health_of(block), IncidentKind.DROPOUT)) == 2


def test_everything_silent_at_once_is_the_bus_and_no_dropout() -> None:
    cut = [stream.without(20 * S, 25 * S) for stream in two_controllers()]
    health = health_of(merged(*cut))
    (incident,) = health.incidents
    assert incident.kind is IncidentKind.BUS_SILENCE
    assert {loss.controller for loss in incident.losses} == {"address 0x31", "address 0x42"}
    assert [controller.dropouts for controller in health.controllers] == [0, 0]
    (gap,) = health.gaps
    assert (gap.kind, gap.channel) == (GapKind.BUS_SILENCE, 0)
    assert gap.to_ns - gap.from_ns == pytest.approx(5 * S, rel=0.02)


def test_the_only_controller_of_a_channel_is_itself_lost() -> None:
    (incident,) = health_of(merged(Maker().cyclic(FAST, 20 * MS, 60 * S).without(20 * S, 25 * S))).incidents
    assert incident.kind is IncidentKind.DROPOUT


def test_every_channel_silent_at_once_is_one_incident_of_no_channel() -> None:
    maker = Maker(seed=4)
    sent = [
        maker.cyclic(identifier, 20 * MS, 60 * S, channel=channel).without(20 * S, 23 * S)
        for channel in (0, 1)
        for identifier in (FAST, OTHER)
    ]
    health = health_of(merged(*sent))
    (incident,) = health.incidents
    assert (incident.kind, incident.channel) == (IncidentKind.BUS_SILENCE, None)
    assert len(incident.losses) == 4
    assert health.gaps[0].channel is None


def test_one_channel_silent_leaves_the_other_alone() -> None:
    maker = Maker(seed=4)
    lost = [
        maker.cyclic(identifier, 20 * MS, 60 * S, channel=0).without(20 * S, 23 * S) for identifier in (FAST, OTHER)
    ]
    kept = [maker.cyclic(identifier, 20 * MS, 60 * S, channel=1) for identifier in (FAST, OTHER)]
    (incident,) = health_of(merged(*lost, *kept)).incidents
    assert (incident.kind, incident.channel) == (IncidentKind.BUS_SILENCE, 0)


def test_a_channel_without_cyclic_traffic_does_not_count_as_silent() -> None:
    cut = [stream.without(20 * S, 25 * S) for stream in two_controllers()]
    (incident,) = health_of(merged(*cut, at(0x123, 20 * S, b"\x01", extended=False, channel=3))).incidents
    assert (incident.kind, incident.channel) == (IncidentKind.BUS_SILENCE, 0)


def test_receive_overflow_excuses_the_frames_lost_in_the_laptop() -> None:
    # Linux header can/error.h: class 0x04 controller problems, data[1] bit 0x01 rx overflow
    sent = [stream.without(20 * S, 20 * S + 300 * MS) for stream in two_controllers()[:2]]
    overflows = [
        at(0x04, 20 * S + ms * MS, bytes([0, 1]), extended=False, flags=FrameFlag.ERROR) for ms in (40, 150, 260)
    ]
    health = health_of(merged(*sent, two_controllers()[2], *overflows))
    assert {incident.kind for incident in health.incidents} == {IncidentKind.CAPTURE_GAP}
    assert health.error_frames == 3
    (gap,) = health.gaps
    assert gap.kind is GapKind.CAPTURE_GAP


def test_a_long_silence_is_not_excused_by_one_overflow() -> None:
    sent = [stream.without(20 * S, 25 * S) for stream in two_controllers()[:2]]
    overflow = at(0x04, 22 * S, bytes([0, 1]), extended=False, flags=FrameFlag.ERROR)
    health = health_of(merged(*sent, two_controllers()[2], overflow))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 1


def test_a_gap_that_the_recorder_reports_accuses_nobody() -> None:
    watch = HealthWatch()
    watch.feed(merged(*(stream.without(20 * S, 25 * S) for stream in two_controllers())))
    watch.note_gap(20 * S, 25 * S, None, "the disk was slow")
    (incident,) = watch.close().incidents
    assert (incident.kind, incident.why) == (IncidentKind.CAPTURE_GAP, ("the disk was slow",))


def test_remote_frames_prove_nobodys_presence() -> None:
    fast, slow, other = two_controllers()
    asked = Sent(id=FAST, t_ns=np.arange(20 * S, 25 * S, 50 * MS), flags=FrameFlag.REMOTE)
    health = health_of(merged(fast.without(20 * S, 25 * S), slow.without(20 * S, 25 * S), other, asked))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 1


def test_what_the_recorder_sends_itself_proves_nobodys_presence() -> None:
    fast, slow, other = two_controllers()
    own = Sent(id=FAST, t_ns=np.arange(20 * S, 25 * S, 50 * MS), flags=FrameFlag.TRANSMITTED)
    health = health_of(merged(fast.without(20 * S, 25 * S), slow.without(20 * S, 25 * S), other, own))
    assert len(of_kind(health, IncidentKind.DROPOUT)) == 1
    assert "sent by the recorder itself" in health.warnings[0]


HOPPER = ControllerSpec(
    name="hopper",
    channel=0,
    identity=Identity(address=0x31),
    expects=(ExpectedStream(id=FAST, extended=True, period_ns=20 * MS, period_from=PeriodFrom.MAP),),
)
GHOST = ControllerSpec(name="broom", channel=0, identity=Identity(address=0x77))


def test_a_controller_on_the_map_that_never_speaks_is_never_seen() -> None:
    health = health_of(merged(*two_controllers()), (HOPPER, GHOST), complete=True)
    broom = named(health, "broom")
    assert broom.state is ControllerState.NEVER_SEEN
    assert broom.absences == ((health.start_ns, health.until_ns),)
    assert health.incidents == ()


def test_the_time_before_the_first_frame_counts_only_where_the_map_expects_the_controller() -> None:
    maker = Maker(seed=5)
    late_start = maker.cyclic(FAST, 20 * MS, 60 * S, from_ns=10 * S)
    block = merged(late_start, two_controllers()[2])
    expected = named(health_of(block, (HOPPER,), complete=True), "hopper")
    assert expected.absences == ((0 + int(block.t_ns[0]), int(late_start.t_ns[0])),)
    assert named(health_of(block), "address 0x31").absences == ()


def test_a_claim_while_no_stream_missed_a_beat_is_no_restart() -> None:
    # whoever starts anew is away for a while: the address was asked for by other means than a request
    name = bytes.fromhex("3F426F1A00823CC0")
    health = health_of(merged(*two_controllers(), at(0x18EEFF31, 30 * S, name)))
    assert health.incidents == ()
    assert named(health, "address 0x31").restarts == 0


def test_a_claim_after_a_silence_too_short_for_the_deadlines_is_a_restart_with_both_edges() -> None:
    # SAE J1939-81: the same NAME claiming again, unasked, has started anew
    name = bytes.fromhex("3F426F1A00823CC0")
    slow = Maker(seed=11)
    other = slow.cyclic(OTHER, 20 * MS, 60 * S)
    before = slow.cyclic(SLOW, 500 * MS, 30 * S)
    last_ns = int(before.t_ns[-1])
    after = slow.cyclic(SLOW, 500 * MS, 60 * S, from_ns=last_ns + 700 * MS)
    claim_ns = last_ns + 690 * MS
    health = health_of(merged(before, after, other, at(0x18EEFF31, claim_ns, name)))
    (incident,) = health.incidents
    assert (incident.kind, incident.controllers) == (IncidentKind.RESTART, ("address 0x31",))
    assert (incident.last_seen_ns, incident.back_ns) == (last_ns, claim_ns)
    assert "it sent an address claim that nobody had asked for" in incident.why
    assert (named(health, "address 0x31").restarts, named(health, "address 0x31").dropouts) == (1, 0)


def test_a_claim_that_was_asked_for_is_no_restart() -> None:
    name = bytes.fromhex("3F426F1A00823CC0")
    asked = at(0x18EAFFFE, 30 * S - 20 * MS, bytes.fromhex("00EE00"))  # SAE J1939-21: request for address claimed
    assert health_of(merged(*two_controllers(), asked, at(0x18EEFF31, 30 * S, name))).incidents == ()


def test_claims_at_the_start_of_the_capture_are_no_restart() -> None:
    maker = Maker(seed=6)
    name = bytes.fromhex("3F426F1A00823CC0")
    started = maker.cyclic(FAST, 20 * MS, 60 * S, from_ns=10 * S)
    assert health_of(merged(started, two_controllers()[2], at(0x18EEFF31, 9_900 * MS, name))).incidents == ()


def test_a_bus_that_was_silent_but_for_a_word_is_two_silences_without_a_frame_in_either() -> None:
    maker = Maker(seed=8)
    sent = [maker.cyclic(identifier, 20 * MS, 60 * S) for identifier in (FAST, OTHER, THIRD)]
    cut = [stream.without(20 * S, 25 * S) for stream in sent]
    block = merged(*cut, at(FAST, 20 * S + 400 * MS, b"\x00" * 8))
    first, second = health_of(block).incidents
    for incident in (first, second):
        assert incident.kind is IncidentKind.BUS_SILENCE
        assert incident.back_ns is not None
        assert not ((block.t_ns > incident.last_seen_ns) & (block.t_ns < incident.back_ns)).any()
    assert second.back_ns is not None
    assert second.back_ns >= 25 * S
    assert (len(first.losses), len(second.losses)) == (1, 3)


def test_an_empty_capture_is_an_empty_health() -> None:
    health = HealthWatch().close()
    assert (health.frames, health.controllers, health.incidents) == (0, (), ())
    assert HealthWatch((GHOST,), complete=True).close().controllers[0].state is ControllerState.NEVER_SEEN


def test_random_identifiers_do_not_fill_the_memory() -> None:
    rng = np.random.default_rng(9)
    n = 60_000
    block = FrameBlock(
        t_ns=np.arange(n, dtype=np.int64) * 100_000,
        channel=np.zeros(n, np.uint8),
        id=rng.integers(0, 1 << 29, n).astype(np.uint32),
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )
    health = health_of(block)
    assert sum(len(controller.streams) for controller in health.controllers) <= 4096
    assert any("not watched" in warning for warning in health.warnings)
    assert of_kind(health, IncidentKind.DROPOUT, IncidentKind.LATE) == []


def test_a_controller_that_is_lost_again_before_it_was_in_step_never_came_into_step() -> None:
    fast, slow, other = two_controllers()
    flicker = [one.without(20 * S, 25 * S).without(25 * S + 600 * MS, 33 * S) for one in (fast, slow)]
    first, second = of_kind(health_of(merged(*flicker, other)), IncidentKind.DROPOUT)
    assert (first.back_ns is not None, first.steady_ns) == (True, None)
    assert second.steady_ns is not None


STALLS_MS = (260, 250, 255, 245)


def stalling(*lasting_ms: int) -> FrameBlock:
    """Give a recording that stalls four times; from 20 s on one controller alone is left."""
    fast, slow, other = two_controllers()
    streams = [fast.without(20 * S, 61 * S), slow.without(20 * S, 61 * S), other]
    for k, lasts_ms in enumerate(lasting_ms):
        from_ns = (5 + 10 * k) * S
        streams = [one.without(from_ns, from_ns + lasts_ms * MS) for one in streams]
    return merged(*streams)


def test_a_stall_of_the_recorder_is_told_where_one_controller_alone_is_left_to_show_it() -> None:
    health = health_of(stalling(*STALLS_MS))
    assert [one.controllers for one in of_kind(health, IncidentKind.DROPOUT)] == [("address 0x31",)]
    assert len([gap for gap in health.gaps if gap.kind is GapKind.BUS_SILENCE]) == 4


@pytest.mark.parametrize("lasts_ms", [400, 900], ids=["of another length", "long enough for a start"])
def test_a_silence_of_the_last_controller_that_is_unlike_the_stalls_is_its_own(lasts_ms: int) -> None:
    health = health_of(stalling(260, 250, 255, lasts_ms))
    assert [one.controllers for one in of_kind(health, IncidentKind.DROPOUT)] == [("address 0x31",), ("address 0x42",)]
