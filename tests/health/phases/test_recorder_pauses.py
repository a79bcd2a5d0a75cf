"""Silences of everything in a steady beat are the recorder's; those without one are the bus."""

from collections.abc import Sequence

import pytest

from busdoc.health.incident import GapKind, IncidentKind
from busdoc.health.phases.recorder_pauses import without_recorder_pauses
from busdoc.health.summary import Health
from tests.health.made_traffic import MS, S, Sent, health_of, merged, of_kind, ticking

A, B = 0x18FF0131, 0x18FF0142
BEAT = [5.0, 10.1, 15.15, 25.2, 30.3, 35.4]  # one beat of 5 s is missing


def with_silences(at_s: Sequence[float], lasts_s: Sequence[float] = (0.25,) * 9) -> Health:
    """Two controllers that both miss what comes within these stretches."""
    sent: list[Sent] = [ticking(A, 0, until_ns=50 * S), ticking(B, 7 * MS, until_ns=50 * S)]
    for t_s, for_s in zip(at_s, lasts_s, strict=False):
        sent = [one.without(round(t_s * S), round((t_s + for_s) * S)) for one in sent]
    return health_of(merged(*sent))


def test_short_silences_in_a_steady_beat_are_gaps_of_the_recording() -> None:
    before = with_silences(BEAT)
    assert len(of_kind(before, IncidentKind.BUS_SILENCE)) == len(BEAT)
    health = without_recorder_pauses(before)
    gaps = of_kind(health, IncidentKind.CAPTURE_GAP)
    assert [one.kind for one in health.incidents] == [IncidentKind.CAPTURE_GAP] * len(BEAT)
    assert all(one.controllers == () and "every 5." in one.why[0] for one in gaps)
    assert {gap.kind for gap in health.gaps} == {GapKind.CAPTURE_GAP}
    # nobody knows whether they were there: no absence, and no time lost
    assert all((one.absences, one.lost_ns) == ((), 0) for one in health.controllers)
    assert all(one.present_ns == health.until_ns - (one.first_ns or 0) for one in health.controllers)


@pytest.mark.parametrize(
    ("at_s", "lasts_s"),
    [
        ([5.0, 10.1, 15.15, 20.2], (0.25,) * 4),  # too few to tell from chance
        ([5.0, 11.3, 14.9, 25.2, 33.8, 35.4], (0.25,) * 6),  # no beat
        (BEAT, (0.25, 0.45, 0.18, 0.36, 0.16, 0.4)),  # in a beat, and never for the same time
        (BEAT, (1.2,) * 6),  # long enough to have started anew
    ],
)
def test_other_silences_are_those_of_the_bus(at_s: Sequence[float], lasts_s: Sequence[float]) -> None:
    health = with_silences(at_s, lasts_s)
    assert without_recorder_pauses(health) is health
