"""What is said of every real recording, beside what is true of it (tests/data/real/NOTICE, and the raw frames).

Held are the statements, not their wording: what happened to whom and when, who is called restarted, what makes the exit
status 1. A line that is not true of a recording does not stand here.
"""

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.health.controller import ControllerState
from busdoc.health.incident import NORMAL_LIFE, Incident, IncidentKind, Loss, RanOn
from busdoc.report.words.codes import code_state_in_words
from busdoc.report.words.headline import headline
from busdoc.report.words.incidents import incident_in_words, onset_in_words
from tests.health.made_traffic import MS, S

REAL = Path(__file__).resolve().parents[1] / "data" / "real"
FILES = sorted(path.name.removesuffix(".log.gz") for path in REAL.glob("*.log.gz"))
FALLS = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.RESTART)
ENGINE_ONLY = {"address 0x03", "address 0x06", "address 0x47"}
SWITCHED = ENGINE_ONLY | {"address 0x17"}

NORMAL = {
    # recording: kind, about when (s), who; what is true
    "tractor-crank-run-1": ((IncidentKind.CRANK, 3.3, SWITCHED), (IncidentKind.POWER_DOWN, 10.3, SWITCHED)),
    "tractor-crank-run-2": ((IncidentKind.CRANK, 3.3, SWITCHED), (IncidentKind.POWER_DOWN, 10.6, SWITCHED)),
    "tractor-crank-run-3": ((IncidentKind.CRANK, 3.3, SWITCHED), (IncidentKind.POWER_DOWN, 10.3, SWITCHED)),
    "tractor-key-on-crank-key-off": ((IncidentKind.CRANK, 3.3, SWITCHED), (IncidentKind.POWER_DOWN, 10.3, SWITCHED)),
    "tractor-idle-run": ((IncidentKind.CRANK, 0.6, ENGINE_ONLY), (IncidentKind.POWER_DOWN, 22.0, SWITCHED)),
    # 23 leaves after key-off and comes with a claim at 22.1 s; the engine's controller goes last
    "tractor-one-controller-comes-back": (
        (IncidentKind.CRANK, 3.9, SWITCHED),
        (IncidentKind.POWER_DOWN, 11.1, SWITCHED | {"address 0x00"}),
    ),
    # its engine stands throughout: the key was turned twice
    "tractor-active-dm1": (
        (IncidentKind.CRANK, 0.6, ENGINE_ONLY),
        (IncidentKind.CRANK, 5.0, ENGINE_ONLY),
        (IncidentKind.POWER_DOWN, 9.8, SWITCHED),
    ),
    "tractor-crank-one-stays-away": ((IncidentKind.CRANK, 3.7, ENGINE_ONLY),),
    "car-clean-drive": (),
    "car-two-buses-drive": (),
}
HEALTHY = (
    "tractor-crank-run-1",
    "tractor-crank-run-2",
    "tractor-crank-run-3",
    "tractor-key-on-crank-key-off",
    "tractor-idle-run",
    "tractor-one-controller-comes-back",
    "car-clean-drive",
    "car-two-buses-drive",
    "car-off-on-ready-off",
)
"""Nothing but normal life: exit status 0."""


@cache
def result_of(name: str) -> Result:
    return postmortem([REAL / f"{name}.log.gz"])


@cache
def frames_of(name: str) -> FrameBlock:
    return FrameBlock.concat(list(open_capture([REAL / f"{name}.log.gz"]).blocks()))


def losses(result: Result, *kinds: IncidentKind) -> Iterator[tuple[Incident, Loss]]:
    for incident in result.incidents:
        if incident.kind in kinds:
            yield from ((incident, loss) for loss in incident.losses)


@pytest.mark.parametrize("name", NORMAL)
def test_normal_life_is_told_as_what_it_was(name: str) -> None:
    result = result_of(name)
    told = [one for one in result.incidents if one.kind in NORMAL_LIFE]
    assert [one.kind for one in told] == [kind for kind, _, _ in NORMAL[name]]
    for one, (_, at_s, who) in zip(told, NORMAL[name], strict=True):
        assert (one.onset_ns - result.health.start_ns) / S == pytest.approx(at_s, abs=0.2)
        assert set(one.controllers) == who


@pytest.mark.parametrize("name", FILES)
def test_what_is_trouble_is_told_and_nothing_else_is(name: str) -> None:
    assert bool(result_of(name).trouble) is (name not in HEALTHY)


def test_the_one_that_stays_away_is_a_dropout_of_that_one() -> None:
    result = result_of("tractor-crank-one-stays-away")
    away = [loss for _, loss in losses(result, IncidentKind.DROPOUT) if loss.last_seen_ns < 5 * S]
    assert [(loss.controller, loss.back_ns) for loss in away] == [("address 0x17", None)]


def test_a_box_with_three_addresses_that_leaves_is_one_that_left() -> None:
    """From the raw frames: 3, 6 and 71 send their last within 3 ms; their claims bear one identity number."""
    result = result_of("tractor-crank-one-stays-away")
    *_, left = [one for one in result.incidents if one.kind is IncidentKind.DROPOUT]
    assert [{*box} for box in left.boxes] == [ENGINE_ONLY]
    said = incident_in_words(left)
    assert said.startswith("one box (address 0x")
    assert said.endswith(") dropped off the bus")
    assert headline(result).startswith("Address 0x17 and one box (address 0x")


@pytest.mark.parametrize("name", FILES)
def test_who_leaves_with_the_machine_is_off_and_who_keeps_no_rhythm_is_not_judged(name: str) -> None:
    result = result_of(name)
    off = {loss.controller for _, loss in losses(result, IncidentKind.POWER_DOWN) if loss.back_ns is None}
    for one in result.health.controllers:
        if one.name in off:
            assert one.state is ControllerState.OFF
        cyclic = any(stream.cyclic for stream in one.streams)
        assert cyclic or one.state in (ControllerState.NOT_JUDGED, ControllerState.LOST)


@pytest.mark.parametrize("name", FILES)
def test_no_place_is_told_where_neither_a_map_nor_an_action_names_one(name: str) -> None:
    """Whether somebody turned the key, pulled a plug or a wire broke, the frames do not tell."""
    result = result_of(name)
    assert result.isolation is not None
    assert (result.isolation.suspects, result.isolation.next_tests) == ((), ())
    said = headline(result)
    assert "lies in" not in said
    assert ("Nothing tells yet which part" in said) == bool(result.trouble)


def test_a_recorder_that_stalls_each_five_seconds_is_no_bus_that_falls_silent() -> None:
    """From the raw frames: everything stops for 0.24 to 0.30 s each 5.1 s, and once for 5.2 s."""
    result = result_of("tractor-whole-bus-silent-5s")
    (silence,) = [one for one in result.incidents if one.kind is IncidentKind.BUS_SILENCE]
    assert ((silence.last_seen_ns - result.health.start_ns) / S, silence.ran_on) == (5.34, RanOn.KEPT_RUNNING)
    stalls = [one for one in result.incidents if one.kind is IncidentKind.CAPTURE_GAP]
    assert len(stalls) == 7
    # once all others are off, the engine's controller does not "fall alone"
    assert result.intermittent is None


def test_controllers_of_which_one_stream_never_misses_a_frame_are_late_and_not_lost() -> None:
    """A gateway goes on each second in the names of 0x0B and 0x00 as their own streams stop, at 142.5 and 143.5 s."""
    result = result_of("bench-power-cycles")
    dropped = [(loss.controller, loss.last_seen_ns - result.health.start_ns) for _, loss in losses(result, *FALLS)]
    assert [name for name, at_ns in dropped if at_ns > 100 * S] == ["address 0x0F"]
    late = [one for one in result.incidents if one.kind is IncidentKind.LATE and one.back_ns is None]
    assert [one.controllers for one in late] == [("address 0x00",)]
    # three of four streams are no more than what is sent on demand: told, and no trouble
    assert any("stopped for long" in text and "0x18F0010B of address 0x0B" in text for text in result.warnings)


def test_identifiers_that_stand_for_others_count_as_so_many() -> None:
    """153 identifiers, three of them without a rhythm; counted from the raw frames."""
    result = result_of("car-off-on-ready-off")
    block = frames_of("car-off-on-ready-off")
    assert len({*zip(block.channel.tolist(), block.id.tolist(), strict=True)}) == 153
    assert headline(result).startswith("Healthy: all 150 identifiers were in step")
    assert "; 3 more send in no rhythm" in headline(result)


def test_a_code_whose_controller_left_with_it_was_not_taken_back() -> None:
    """Its last broadcast, at 9.129 s, still says it; the controller goes at 9.8 s (the raw frames)."""
    result = result_of("tractor-active-dm1")
    (code,) = result.codes
    assert code_state_in_words(code, result) == "active when address 0x03 fell silent"
    assert "by itself" not in headline(result)


def test_one_that_comes_back_though_the_machine_is_off_is_told() -> None:
    result = result_of("tractor-one-controller-comes-back")
    (off,) = [one for one in result.incidents if one.kind is IncidentKind.POWER_DOWN]
    assert onset_in_words(off).endswith("address 0x17 back after 10.4 s")


def test_answers_to_requests_are_no_restarts_of_the_boat() -> None:
    result = result_of("boat-commissioning")
    assert not list(losses(result, IncidentKind.RESTART))
    assert all(one.restarts == 0 for one in result.health.controllers)


def test_those_that_join_the_boat_are_told_with_their_times() -> None:
    result = result_of("boat-commissioning")
    came = {
        name: join.from_ns / S - result.health.start_ns / S for join in result.health.joins for name in join.controllers
    }
    for address, at_s in ((13, 48.2), (21, 77.8), (48, 78.3), (49, 78.5), (20, 78.5), (50, 78.7)):
        assert came[f"address 0x{address:02X}"] == pytest.approx(at_s, abs=0.5)


def test_three_addresses_of_the_tractor_are_one_box() -> None:
    (box,) = result_of("tractor-crank-run-1").health.boxes
    assert set(box.controllers) == ENGINE_ONLY
    assert (box.maker, box.number) == (33, 1078349)


@pytest.mark.parametrize("name", FILES)
def test_nobody_restarts_without_a_missed_beat_or_in_less_than_a_start_takes(name: str) -> None:
    """From the raw frames: who is called restarted was silent for 0.15 s or more, and a stream of it missed a beat."""
    result, block = result_of(name), frames_of(name)
    streams_of = {one.name: one.streams for one in result.health.controllers}
    for _, loss in losses(result, *IncidentKind):
        if loss.ran_on is not RanOn.RESTARTED or loss.back_ns is None:
            continue
        assert loss.back_ns - loss.last_seen_ns >= 150 * MS or loss.back_ns == loss.last_seen_ns
        missed = []
        for stream in streams_of[loss.controller]:
            own = block.t_ns[(block.id == stream.key.id) & (block.channel == stream.key.channel)]
            if not stream.cyclic or stream.period_ns is None or len(own) < 2:
                continue
            gap_ns = np.diff(own)
            near = (own[:-1] < loss.back_ns + 5 * S) & (own[1:] > loss.last_seen_ns - S)
            missed.append(bool((gap_ns[near] > 1.5 * stream.period_ns).any()))
        assert any(missed), (loss.controller, loss.last_seen_ns)


@pytest.mark.parametrize("name", FILES)
def test_output_about_a_bus_that_nobody_names_stays_short(name: str) -> None:
    from busdoc.report.terminal.terminal import render

    if name.startswith("car-"):
        assert len(render(result_of(name), width=100).splitlines()) <= 60
