"""What is told of real recordings and of made-up machines, held against the raw frames alone.

See tests/data/real/NOTICE for the recordings; what each shows beyond that is in `test_real_traffic.py`.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import IncidentKind, Loss
from busdoc.health.summary import Health
from tests.health.made_traffic import S, health_of
from tests.truth.raw_frames import contradictions, frames_of

REAL = Path(__file__).resolve().parents[1] / "data" / "real"
RECORDINGS = sorted(path.name.removesuffix(".log.gz") for path in REAL.glob("*.log.gz"))
CUT = [name for name in RECORDINGS if name.startswith(("tractor", "bench", "boat"))]
FALLS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE)


@cache
def recorded(name: str) -> FrameBlock:
    return FrameBlock.concat(list(open_capture([REAL / f"{name}.log.gz"]).blocks()))


@cache
def health(name: str) -> Health:
    return health_of(recorded(name))


def test_all_recordings_are_there() -> None:
    assert len(RECORDINGS) == 15


@pytest.mark.parametrize("name", RECORDINGS)
def test_no_frame_of_a_recording_gives_the_lie_to_what_is_told(name: str) -> None:
    assert contradictions(recorded(name), health(name)) == []


def test_a_drive_without_a_gap_of_three_periods_has_nothing_to_report() -> None:
    for name in ("car-clean-drive", "car-two-buses-drive"):
        assert health(name).incidents == ()


def test_no_bus_is_silent_while_one_controller_sends_on() -> None:
    # the crank takes four of five; on the boat all but address 0 are gone at the end; on the bench some send on
    for name in ("tractor-crank-one-stays-away", "boat-commissioning", "bench-power-cycles", "bench-forged-frames"):
        kinds = [incident.kind for incident in health(name).incidents]
        assert IncidentKind.DROPOUT in kinds
        assert IncidentKind.BUS_SILENCE not in kinds


def test_each_of_a_group_comes_back_in_its_own_time() -> None:
    crank = health("tractor-crank-one-stays-away").incidents[0]
    back_s = {loss.controller: None if loss.back_ns is None else loss.back_ns / S for loss in crank.losses}
    assert back_s.pop("address 0x17") is None
    assert back_s == {f"address 0x{address}": pytest.approx(5.06, abs=0.01) for address in ("03", "06", "47")}


@pytest.mark.parametrize("name", CUT)
def test_frames_cut_out_are_found_with_both_edges_and_are_no_silence_of_the_bus(name: str) -> None:
    block, whole = recorded(name), health(name)
    rng = np.random.default_rng(CUT.index(name))
    places = [place for one in whole.controllers for place in _places(block, one, rng)]
    rng.shuffle(places)
    for one, from_ns, to_ns, fastest_ns in places[:4]:
        mine = frames_of(block, one)
        own_ns = block.t_ns[mine]
        cut = health_of(block.take(~(mine & (block.t_ns > from_ns) & (block.t_ns < to_ns))), until_ns=whole.until_ns)
        found = _losses(cut, one.name, from_ns, to_ns)
        edges = (int(own_ns[own_ns <= from_ns][-1]), int(own_ns[own_ns >= to_ns][0]))
        assert any(
            abs(loss.last_seen_ns - edges[0]) <= fastest_ns
            and loss.back_ns is not None
            and abs(loss.back_ns - edges[1]) <= fastest_ns
            for _, loss in found
        ), (one.name, from_ns, to_ns)
        assert all(kind is not IncidentKind.BUS_SILENCE for kind, _ in found)


def _places(
    block: FrameBlock, one: ControllerHealth, rng: np.random.Generator
) -> list[tuple[ControllerHealth, int, int, int]]:
    """Draw a stretch of three of its slowest periods to 60 s in which a controller was there, where there is one."""
    cyclic = [stream for stream in one.streams if stream.cyclic and stream.period_ns and stream.frames >= 20]
    if not cyclic:
        return []
    slowest_ns = max(stream.period_ns or 0 for stream in one.streams if stream.cyclic)
    first_ns = max(stream.first_ns for stream in cyclic) + 2 * slowest_ns
    last_ns = min(stream.last_ns for stream in cyclic) - 2 * slowest_ns
    for _ in range(20):
        lasts_ns = int(np.exp(rng.uniform(np.log(3 * slowest_ns), np.log(60 * S))))
        if lasts_ns >= last_ns - first_ns:
            continue
        from_ns = int(rng.integers(first_ns, last_ns - lasts_ns))
        span = (from_ns - 2 * S, from_ns + lasts_ns + 2 * S)
        others = [other for other in health_names(block) if other is not one]
        alone = not any(_is_there(other, *span) for other in others)
        if not alone and not any(a < span[1] and b > span[0] for a, b in one.absences):
            return [(one, from_ns, from_ns + lasts_ns, min(stream.period_ns or 0 for stream in cyclic))]
    return []


def health_names(block: FrameBlock) -> tuple[ControllerHealth, ...]:
    return next(health(name).controllers for name in RECORDINGS if recorded(name) is block)


def _is_there(one: ControllerHealth, from_ns: int, to_ns: int) -> bool:
    """Tell whether a controller with a rhythm is on the bus all the time: else a cut may leave nobody on it."""
    return (
        any(stream.cyclic for stream in one.streams)
        and one.first_ns is not None
        and one.first_ns < from_ns
        and not any(a < to_ns and b > from_ns for a, b in one.absences)
    )


def _losses(cut: Health, name: str, from_ns: int, to_ns: int) -> list[tuple[IncidentKind, Loss]]:
    return [
        (incident.kind, loss)
        for incident in cut.incidents
        if incident.kind in FALLS
        for loss in incident.losses
        if loss.controller == name and loss.last_seen_ns < to_ns and (loss.back_ns is None or loss.back_ns > from_ns)
    ]
