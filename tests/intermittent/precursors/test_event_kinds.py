"""All kinds of events of a record, gathered from everywhere."""

from dataclasses import replace

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.arrays import Int64Array
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth, StreamKey
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.summary import Health, WireLoad
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource
from busdoc.intermittent.precursors.event_kinds import gather_event_kinds
from busdoc.machine.controller_spec import Identity, PeriodFrom

S = 10**9
COMMAND = StreamKey(channel=0, extended=True, id=0x18EF2103)
STATUS = StreamKey(channel=0, extended=True, id=0x18FF3103)


def stream(key: StreamKey, *, cyclic: bool) -> StreamHealth:
    return StreamHealth(
        key=key,
        frames=9,
        cyclic=cyclic,
        period_ns=S // 10 if cyclic else None,
        jitter_ns=None,
        deadline_ns=None,
        period_from=PeriodFrom.LEARNT,
        first_ns=0,
        last_ns=0,
    )


CAB = ControllerHealth(
    name="cab",
    channel=0,
    identity=Identity(address=3),
    frames=18,
    streams=(stream(COMMAND, cyclic=False), stream(STATUS, cyclic=True)),
    state=ControllerState.STEADY,
    present_ns=0,
    lost_ns=0,
    dropouts=0,
    restarts=0,
    first_ns=0,
    last_ns=0,
)
NOTHING = Health(start_ns=0, until_ns=1000 * S, frames=18, error_frames=0, controllers=(CAB,), incidents=(), gaps=())


def action(
    n: int, t_s: int, kind: ActionKind, part: str | None = None, note: str = "", into: str | None = None
) -> Action:
    return Action(n=n, time_ns=t_s * S, uncertainty_ns=5 * S, kind=kind, part=part, note=note, into=into)


def seconds(kind: EventKind) -> list[int]:
    return [t_ns // S for t_ns in kind.t_ns.tolist()]


def arrivals(*t_s: int) -> Int64Array:
    return np.array(t_s, np.int64) * S


def test_frames_without_a_rhythm_are_commands_and_cyclic_ones_are_not() -> None:
    (found,) = gather_event_kinds(NOTHING, arrivals={COMMAND: arrivals(3, 9), STATUS: arrivals(1, 2, 3)}).kinds
    assert found.name == "frame 0x18EF2103 of cab was sent"
    assert (found.source, found.controller, seconds(found)) == (EventSource.COMMAND, "cab", [3, 9])


def test_a_command_with_too_many_frames_is_left_out_and_named() -> None:
    found = gather_event_kinds(NOTHING, arrivals={})
    assert found.kinds == ()
    assert found.left_out == ("1 stream without a rhythm had more frames than can be kept: frame 0x18EF2103",)


def test_marks_of_the_same_text_are_one_kind_however_they_are_written() -> None:
    actions = [
        action(1, 10, ActionKind.MARK, note="Hit a  bump"),
        action(2, 30, ActionKind.MARK, note="hit a bump"),
        action(3, 20, ActionKind.MARK, note="rain"),
    ]
    found = gather_event_kinds(NOTHING, actions=actions, arrivals={COMMAND: arrivals()}).kinds[1:]
    assert [(kind.name, seconds(kind)) for kind in found] == [("mark: Hit a  bump", [10, 30]), ("mark: rain", [20])]
    assert found[0].uncertainty_ns.tolist() == [5 * S, 5 * S]
    assert not found[0].is_sure


def test_other_actions_are_kinds_by_what_they_were_done_to() -> None:
    actions = [
        action(1, 10, ActionKind.WIGGLE, "rear-trunk"),
        action(2, 20, ActionKind.SWAP, "harness-A", into="harness-B"),
        action(3, 30, ActionKind.POWER_CYCLE),
        action(4, 40, ActionKind.MARK),
    ]
    names = [kind.name for kind in gather_event_kinds(NOTHING, actions=actions, arrivals={}).kinds]
    assert names == ["wiggle of rear-trunk", "swap of harness-A and harness-B", "power-cycle of the machine", "mark"]


def test_every_raise_of_a_code_is_an_event() -> None:
    code = FaultCode(
        controller="cab",
        kind=CodeKind.SPN_FMI,
        code="SPN 168 FMI 4",
        text="voltage below normal",
        occurrences=2,
        first_ns=5 * S,
        last_ns=9 * S,
        active=True,
        active_spans=((5 * S, 6 * S), (8 * S, None)),
    )
    (found,) = gather_event_kinds(NOTHING, codes=[code, replace(code, active_spans=())], arrivals={}).kinds
    assert (found.name, seconds(found), found.source) == ("cab raised SPN 168 FMI 4", [5, 8], EventSource.CODE)


def test_a_return_is_an_event_and_the_beginning_of_the_record_is_none() -> None:
    away = replace(CAB, absences=((0, 4 * S), (100 * S, 110 * S), (200 * S, 230 * S), (900 * S, 1000 * S)))
    (found,) = gather_event_kinds(replace(NOTHING, controllers=(away,)), arrivals={}).kinds
    assert (found.name, seconds(found)) == ("cab came back", [110, 230])


def test_the_return_of_a_whole_bus_is_an_event() -> None:
    silence = Incident(
        kind=IncidentKind.BUS_SILENCE,
        channel=0,
        controllers=("cab",),
        last_seen_ns=10 * S,
        onset_ns=11 * S,
        back_ns=20 * S,
        steady_ns=21 * S,
        ran_on=RanOn.RESTARTED,
        p_restarted=0.99,
    )
    found = gather_event_kinds(replace(NOTHING, incidents=(silence, replace(silence, back_ns=None))), arrivals={}).kinds
    assert [(kind.name, seconds(kind)) for kind in found] == [("the whole bus of channel 0 came back", [20])]


def test_error_states_of_the_adapter_are_events_by_their_words() -> None:
    wire = WireLoad(
        channel=1,
        bitrate=None,
        second_ns=arrivals(),
        frames=arrivals(),
        error_frames=arrivals(),
        bits=arrivals(),
        load=np.empty(0),
        mean_load=None,
        peak_load=None,
        error_states=((3 * S, "bus-off"), (4 * S, "restarted after bus-off"), (9 * S, "bus-off")),
    )
    found = gather_event_kinds(replace(NOTHING, wire=(wire,)), arrivals={}).kinds
    assert [(kind.name, seconds(kind)) for kind in found] == [
        ("the adapter on channel 1 reported: bus-off", [3, 9]),
        ("the adapter on channel 1 reported: restarted after bus-off", [4]),
    ]


def test_streams_whose_bits_were_not_followed_are_told() -> None:
    (told,) = gather_event_kinds(NOTHING, arrivals={COMMAND: arrivals()}, n_unfollowed=7).left_out
    assert told == "the bits of 7 streams that no database describes, beyond the first 256 streams"
