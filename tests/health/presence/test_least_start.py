"""Which signs of a start are believed, and how soon a controller may be back from one."""

import pytest

from busdoc.health.incident import IncidentKind, RanOn
from tests.health.made_traffic import MS, Maker, S, at, health_of, merged, named, of_kind, ticking

FAST, SLOW, OTHER = 0x18FF0131, 0x18FF0231, 0x18FF0142
NAME = bytes.fromhex("3F426F1A00823CC0")
CLAIM = 0x18EEFF31


def test_a_claim_after_a_missed_beat_is_a_restart_and_one_while_a_fast_stream_went_on_is_none() -> None:
    maker = Maker(seed=21)
    slow = maker.cyclic(SLOW, S, 60 * S).without(30 * S + 300 * MS, 31 * S + 700 * MS)
    other = maker.cyclic(OTHER, 50 * MS, 60 * S)
    claim = at(CLAIM, 31 * S + 500 * MS, NAME)
    (restart,) = of_kind(health_of(merged(slow, other, claim)), IncidentKind.RESTART)
    assert restart.controllers == ("address 0x31",)
    fast = maker.cyclic(FAST, 20 * MS, 60 * S)
    assert of_kind(health_of(merged(slow, fast, other, claim)), IncidentKind.RESTART) == []


@pytest.mark.parametrize("gone_ns", [70 * MS, 145 * MS])
def test_nobody_restarts_in_less_time_than_a_start_takes(gone_ns: int) -> None:
    maker = Maker(seed=22)
    fast = maker.cyclic(FAST, 20 * MS, 60 * S).without(30 * S, 30 * S + gone_ns)
    again = at(CLAIM, 30 * S + gone_ns - 3 * MS, NAME)
    health = health_of(merged(fast, maker.cyclic(OTHER, 50 * MS, 60 * S), again))
    assert of_kind(health, IncidentKind.RESTART) == []
    losses = [loss for incident in health.incidents for loss in incident.losses]
    assert all(loss.ran_on is not RanOn.RESTARTED for loss in losses)
    assert named(health, "address 0x31").restarts == 0


def test_a_controller_that_waits_after_its_claim_takes_at_least_that_long_to_start() -> None:
    # SAE J1939-81: 250 ms from the claim to anything else; here it takes 0.8 s, so 0.6 s of silence are no restart
    maker = Maker(seed=23)
    started = maker.cyclic(FAST, 20 * MS, 60 * S, from_ns=10 * S + 800 * MS)
    gone = started.without(30 * S, 30 * S + 600 * MS)
    health = health_of(merged(at(CLAIM, 10 * S, NAME), gone, maker.cyclic(OTHER, 50 * MS, 60 * S)))
    (loss,) = [loss for incident in of_kind(health, IncidentKind.DROPOUT) for loss in incident.losses]
    assert loss.ran_on is RanOn.KEPT_RUNNING
    assert [words.startswith("nobody restarts within 8") for words in loss.evidence] == [True]


def test_a_boot_up_message_is_believed_where_no_stream_could_tell() -> None:
    # CiA 301: a node sends its boot-up on a start and never on request
    beat = ticking(0x705, period_ns=S, until_ns=60 * S, extended=False, length=1)
    boot = at(0x705, 30 * S + 500 * MS, b"\x00", extended=False)
    other = ticking(0x1D0, period_ns=20 * MS, until_ns=60 * S, extended=False)
    (restart,) = of_kind(health_of(merged(beat, boot, other)), IncidentKind.RESTART)
    assert restart.controllers == ("node 5",)
    fast = ticking(0x185, period_ns=20 * MS, until_ns=60 * S, extended=False)
    assert of_kind(health_of(merged(beat, fast, boot, other)), IncidentKind.RESTART) == []
