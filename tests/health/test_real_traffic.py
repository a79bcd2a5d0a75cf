"""Recordings of real machines: a tractor and a car (see tests/data/real/NOTICE), and a boat (gpsd's test data).

What happened on the tractor is told by its address claims (SAE J1939-81) and is in the recordings to be read.
"""

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.health.controller import ControllerState
from busdoc.health.incident import GapKind, IncidentKind, RanOn
from busdoc.health.summary import Health
from tests.health.boat_recording import boat_recording
from tests.health.made_traffic import S, health_of, named, of_kind

REAL = Path(__file__).resolve().parents[1] / "data" / "real"
BOAT = pytest.param(boat_recording, marks=pytest.mark.network_sources, id="boat")


@cache
def recorded(path: Path) -> FrameBlock:
    return FrameBlock.concat(list(open_capture([path]).blocks()))


@cache
def health(name: str) -> Health:
    return health_of(recorded(REAL / f"{name}.log.gz"))


def test_the_cars_drive_has_nothing_to_report() -> None:
    drive = health("car-clean-drive")
    assert drive.frames == 245_144
    assert drive.incidents == ()
    assert drive.gaps == ()
    assert sum(stream.cyclic for controller in drive.controllers for stream in controller.streams) == 49


def test_three_controllers_of_the_tractor_restart_at_the_crank() -> None:
    first, *_ = of_kind(health("tractor-key-on-crank-key-off"), IncidentKind.DROPOUT)
    assert set(first.controllers) == {"address 0x03", "address 0x06", "address 0x47"}
    assert first.ran_on is RanOn.RESTARTED
    assert all(loss.ran_on is RanOn.RESTARTED for loss in first.losses)
    assert first.last_seen_ns == pytest.approx(3.28 * S, abs=0.01 * S)
    for loss in first.losses:
        assert loss.back_ns is not None
        assert (loss.back_ns - loss.last_seen_ns) / S == pytest.approx(1.4, abs=0.15)
    claims = [words for loss in first.losses for words in loss.evidence if "address claim" in words]
    assert len(claims) == 3


@pytest.mark.parametrize(
    "name",
    ["tractor-active-dm1", "tractor-idle-run", "tractor-key-on-crank-key-off", "tractor-one-controller-comes-back"],
)
def test_key_off_takes_three_controllers_at_once_then_one_and_the_engine_last(name: str) -> None:
    run = health(name)
    last_ns = {
        address: named(run, f"address 0x{address:02X}").last_ns or 0 for address in (0x03, 0x06, 0x47, 0x17, 0x00)
    }
    final = of_kind(run, IncidentKind.DROPOUT)
    fell = next(incident for incident in final if incident.back_ns is None)
    assert {"address 0x03", "address 0x06", "address 0x47"} <= set(fell.controllers)
    assert max(last_ns[0x03], last_ns[0x06], last_ns[0x47]) < last_ns[0x17]
    assert last_ns[0x17] < last_ns[0x00] or name == "tractor-one-controller-comes-back"
    for address in (0x03, 0x06, 0x47):
        assert named(run, f"address 0x{address:02X}").state is ControllerState.LOST


def test_the_one_controller_comes_back_with_a_claim_of_its_own() -> None:
    run = health("tractor-one-controller-comes-back")
    (loss,) = [
        loss
        for incident in of_kind(run, IncidentKind.DROPOUT)
        for loss in incident.losses
        if loss.controller == "address 0x17" and loss.back_ns is not None and loss.back_ns > 20 * S
    ]
    assert loss.back_ns is not None
    assert loss.back_ns / S == pytest.approx(22.07, abs=0.05)
    assert loss.ran_on is RanOn.RESTARTED
    assert named(run, "address 0x17").state is ControllerState.STEADY


def test_five_seconds_of_silence_are_one_incident_of_the_whole_bus() -> None:
    run = health("tractor-whole-bus-silent-5s")
    around = [
        incident
        for incident in run.incidents
        if incident.onset_ns < 10.4 * S and (incident.back_ns is None or incident.back_ns > 5.4 * S)
    ]
    (incident,) = around
    assert incident.kind is IncidentKind.BUS_SILENCE
    assert len(incident.losses) == 5
    (gap,) = [gap for gap in run.gaps if gap.to_ns - gap.from_ns > 5 * S]
    assert gap.kind is GapKind.BUS_SILENCE
    assert gap.from_ns <= 5.34 * S
    assert gap.to_ns == pytest.approx(10.539 * S, abs=0.001 * S)


@pytest.mark.network_sources
def test_no_controller_of_the_boat_is_blamed_for_the_recorders_stalls() -> None:
    run = health_of(recorded(boat_recording()))
    assert of_kind(run, IncidentKind.LATE, IncidentKind.DROPOUT) == []
    assert [controller.dropouts for controller in run.controllers] == [0, 0, 0, 0]
    # in one of the eight all but a controller that sends every five seconds were missed
    assert len(run.gaps) == 8
    assert {gap.kind for gap in run.gaps} == {GapKind.BUS_SILENCE}
    kept = [loss.ran_on for incident in run.incidents for loss in incident.losses]
    assert set(kept) == {RanOn.KEPT_RUNNING}


@pytest.mark.parametrize(
    "path",
    [
        lambda: REAL / "car-clean-drive.log.gz",
        lambda: REAL / "tractor-key-on-crank-key-off.log.gz",
        lambda: REAL / "tractor-idle-run.log.gz",
        lambda: REAL / "tractor-one-controller-comes-back.log.gz",
        lambda: REAL / "tractor-active-dm1.log.gz",
        BOAT,
    ],
)
def test_a_source_cut_out_of_a_recording_is_found_where_it_was_cut(path: Callable[[], Path]) -> None:
    block = recorded(path())
    block = block.take(block.t_ns < block.t_ns[0] + 35 * S)  # of the car a quarter, which is enough to learn from
    healthy = health_of(block)
    n_cuts = 0
    for controller in healthy.controllers:
        cyclic = [stream for stream in controller.streams if stream.cyclic and stream.period_ns]
        if not cyclic or (len(healthy.controllers) > 10 and len(cyclic) == 1 and controller.streams[0].key.id % 8):
            continue  # of the car's forty-nine identifiers, an eighth
        slowest_ns = max(stream.period_ns or 0 for stream in cyclic)
        fastest_ns = min(stream.period_ns or 0 for stream in cyclic)
        own = FrameBlock.empty()
        mine = (block.id < 0).astype(bool)
        for stream in controller.streams:
            mine |= (block.id == stream.key.id) & ((block.flags & 1) == int(stream.key.extended))
        own = block.take(mine)
        started_ns = max(stream.first_ns for stream in cyclic) + 4 * slowest_ns
        stopped_ns = min(stream.last_ns for stream in cyclic) - 4 * slowest_ns
        # of many identifiers fewer cuts, and no long one: each takes a second reading of the whole
        more = [(0.5, 4.0, 0), (0.35, 3.1, 10 * S)] if len(healthy.controllers) <= 10 else []
        for place, periods, least_ns in ((0.3, 3.1, 0), (0.7, 6.0, 0), *more):
            from_ns = int(started_ns + place * (stopped_ns - started_ns))
            to_ns = int(from_ns + max(periods * slowest_ns, least_ns))
            near = (from_ns - 4 * slowest_ns, to_ns + 4 * slowest_ns)
            troubled = any(low < near[1] and high > near[0] for low, high in controller.absences)
            # who was away meanwhile: what is cut beside a true loss may be taken for a part of it
            away = [
                one.name
                for one in healthy.controllers
                if any(low < to_ns + S and high > from_ns - S for low, high in one.absences)
            ]
            if to_ns > stopped_ns or troubled:
                continue
            n_cuts += 1
            cut = health_of(
                block.take(~(mine & (block.t_ns > from_ns) & (block.t_ns < to_ns))), until_ns=healthy.until_ns
            )
            found = [
                loss
                for incident in of_kind(cut, IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)
                for loss in incident.losses
                if loss.controller == controller.name
                and loss.last_seen_ns < to_ns
                and (loss.back_ns is None or loss.back_ns > from_ns)
            ]
            assert found, (controller.name, from_ns, to_ns)
            if not away:
                # it kept running all through: nothing may say that it restarted, nor that the whole bus fell silent
                assert all(loss.p_restarted is None or loss.p_restarted <= 0.5 for loss in found)
                silences = of_kind(cut, IncidentKind.BUS_SILENCE)
                assert not any(loss in found for one in silences for loss in one.losses)
            assert found[0].last_seen_ns == own.t_ns[own.t_ns <= from_ns][-1]
            assert abs(found[0].onset_ns - from_ns) <= fastest_ns * 21 // 20
            assert found[-1].back_ns == own.t_ns[own.t_ns >= to_ns][0]
            for other in cut.controllers:
                if other.name != controller.name:
                    assert other.absences == named(healthy, other.name).absences
    assert n_cuts >= 3
