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
from tests.health.made_traffic import MS, S

REAL = Path(__file__).resolve().parents[1] / "data" / "real"
FILES = sorted(path.name.removesuffix(".log.gz") for path in REAL.glob("*.log.gz"))
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


@pytest.mark.parametrize("name", FILES)
def test_who_leaves_with_the_machine_is_off_and_who_keeps_no_rhythm_is_not_judged(name: str) -> None:
    result = result_of(name)
    off = {loss.controller for _, loss in losses(result, IncidentKind.POWER_DOWN) if loss.back_ns is None}
    for one in result.health.controllers:
        if one.name in off:
            assert one.state is ControllerState.OFF
        cyclic = any(stream.cyclic for stream in one.streams)
        assert cyclic or one.state in (ControllerState.NOT_JUDGED, ControllerState.LOST)


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
