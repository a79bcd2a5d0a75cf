"""Restarted or kept running: phase, counters, signs, order of start, and controllers lost together."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.health.incident import IncidentKind, Loss, RanOn
from busdoc.health.presence.restart_evidence import RestartFinding, share_evidence
from busdoc.health.streams.rolling import rolling_counters
from tests.health.made_traffic import MS, Maker, S, Sent, at, health_of, merged, of_kind

UNTIL_NS = 60 * S
OTHER = 0x18FF0142


def joined(before: Sent, after: Sent) -> Sent:
    """Let one stream follow another under the same identifier."""
    assert before.data is not None
    assert after.data is not None
    return replace(
        before, t_ns=np.concatenate((before.t_ns, after.t_ns)), data=np.concatenate((before.data, after.data))
    )


def restarted(maker: Maker, identifier: int, period_ns: int, *, counter: bool = False) -> Sent:
    """Stop at 30 s, start anew at 33 s with a phase and a counter of its own."""
    before = maker.cyclic(identifier, period_ns, 30 * S, counter=counter)
    return joined(before, maker.cyclic(identifier, period_ns, UNTIL_NS, from_ns=33 * S, counter=counter))


def only_loss(*sent: Sent) -> Loss:
    other = Maker(seed=99).cyclic(OTHER, 50 * MS, UNTIL_NS)
    (incident,) = of_kind(health_of(merged(*sent, other)), IncidentKind.DROPOUT)
    (loss,) = incident.losses
    return loss


def test_streams_that_go_on_in_phase_kept_running() -> None:
    for seed in range(20):
        maker = Maker(seed=seed)
        sent = [maker.cyclic(0x18FF1031 | k << 8, period * MS, UNTIL_NS) for k, period in enumerate((20, 50, 100))]
        loss = only_loss(*(one.without(30 * S, 33 * S + seed * 7 * MS) for one in sent))
        assert loss.ran_on is RanOn.KEPT_RUNNING
        assert any("in phase" in words for words in loss.evidence)


def test_streams_that_come_back_at_phases_of_their_own_restarted() -> None:
    right = 0
    for seed in range(20):
        maker = Maker(seed=seed)
        loss = only_loss(
            *(restarted(maker, 0x18FF1031 | k << 8, period * MS) for k, period in enumerate((20, 50, 100)))
        )
        assert loss.ran_on is not RanOn.KEPT_RUNNING
        right += loss.ran_on is RanOn.RESTARTED
    assert right >= 14  # a stream comes back in phase by chance now and then: then it is not known


def test_a_clock_that_drifts_by_a_hundred_parts_in_a_million_keeps_its_phase() -> None:
    maker = Maker(seed=3)
    sent = [
        maker.cyclic(0x18FF1031 | k << 8, round(period * MS * 1.0001), 600 * S) for k, period in enumerate((20, 100))
    ]
    other = maker.cyclic(OTHER, 50 * MS, 600 * S)
    block = merged(*(one.without(300 * S, 360 * S) for one in sent), other)
    (incident,) = of_kind(health_of(block), IncidentKind.DROPOUT)
    assert incident.ran_on is RanOn.KEPT_RUNNING


def test_a_counter_that_went_on_in_step_says_kept_running_and_one_at_zero_says_restarted() -> None:
    maker = Maker(seed=4)
    kept = only_loss(maker.cyclic(0x18FF0131, 100 * MS, UNTIL_NS, counter=True).without(30 * S, 33 * S))
    assert kept.ran_on is RanOn.KEPT_RUNNING
    assert "a rolling counter went on in step with the frames missed" in kept.evidence
    anew = only_loss(restarted(maker, 0x18FF0131, 100 * MS, counter=True))
    assert anew.ran_on is RanOn.RESTARTED
    assert "a rolling counter began again at zero" in anew.evidence


def test_an_unasked_claim_on_return_proves_a_restart_even_in_phase() -> None:
    # SAE J1939-81: an address is claimed at power-up or on request
    name = bytes.fromhex("3F426F1A00823CC0")
    sent = Maker(seed=5).cyclic(0x18FF0131, 100 * MS, UNTIL_NS, jitter=0.03).without(30 * S, 33 * S)
    loss = only_loss(sent, at(0x18EEFF31, 33 * S - 5 * MS, name))
    assert loss.ran_on is RanOn.RESTARTED
    assert "it sent an address claim that nobody had asked for" in loss.evidence


def test_a_boot_up_proves_a_restart_and_a_commanded_one_does_not() -> None:
    # CiA 301: 0x700 + node with one byte 0 on entering pre-operational; NMT 0x000 "81 05" resets node 5
    maker = Maker(seed=6)
    heartbeat = replace(maker.cyclic(0x705, 200 * MS, UNTIL_NS, extended=False), length=1)
    assert heartbeat.data is not None
    heartbeat.data[:, 0] = 5
    heartbeat.data[:, 7] = 0
    sent = [heartbeat, maker.cyclic(0x185, 50 * MS, UNTIL_NS, extended=False)]
    cut = [one.without(30 * S, 33 * S) for one in sent]
    boot = at(0x705, 33 * S - 5 * MS, b"\x00", extended=False)
    loss = only_loss(*cut, boot)
    assert (loss.controller, loss.ran_on) == ("node 5", RanOn.RESTARTED)
    commanded = only_loss(*cut, boot, at(0x000, 32 * S, bytes.fromhex("8105"), extended=False))
    assert not any("boot-up" in words for words in commanded.evidence)


def test_a_controller_that_announces_its_starts_and_did_not_kept_running() -> None:
    name = bytes.fromhex("3F426F1A00823CC0")
    maker = Maker(seed=7)
    sent = maker.cyclic(0x18FF0131, 100 * MS, UNTIL_NS, from_ns=S, jitter=0.3)  # too unsteady for its phase to tell
    loss = only_loss(sent.without(30 * S, 33 * S), at(0x18EEFF31, S, name))
    assert "it did not announce a start, as it does otherwise" in loss.evidence
    assert loss.ran_on is RanOn.KEPT_RUNNING


def test_too_little_evidence_is_unknown() -> None:
    sent = Maker(seed=8).cyclic(0x18FF0131, 100 * MS, UNTIL_NS, jitter=0.3)
    loss = only_loss(sent.without(30 * S, 33 * S))
    assert loss.ran_on is RanOn.UNKNOWN


def test_controllers_lost_together_speak_for_one_another() -> None:
    sure = RestartFinding(ran_on=RanOn.RESTARTED, p_restarted=0.999, evidence=())
    silent = RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    first, second, third = share_evidence([sure, silent, None])
    assert first is not None
    assert second is not None
    assert first.ran_on is RanOn.RESTARTED
    assert second.ran_on is RanOn.RESTARTED
    assert second.evidence == ("the controllers lost with it restarted too",)
    assert third is None


@pytest.mark.parametrize(("shift", "width", "modulus"), [(0, 8, 256), (0, 8, 251), (0, 4, 16), (4, 4, 16), (0, 4, 15)])
def test_counters_of_whole_and_half_bytes_are_found(shift: int, width: int, modulus: int) -> None:
    # modulus 251: the ISO 11783-7 heartbeat's sequence; modulus 15: half-byte counters that keep 15 for "error"
    values = (np.arange(16) + modulus - 5) % modulus
    data = np.full((16, 8), 0xA0 if shift == 0 else 0x0A, np.uint8)
    data[:, 3] = (data[:, 3] & (0xFF ^ ((1 << width) - 1) << shift)) | values.astype(np.uint8) << shift
    (counter,) = rolling_counters(data)
    assert (counter.byte, counter.shift, counter.width, counter.modulus) == (3, shift, width, modulus)
    assert counter.last == values[-1]


def test_constant_and_random_payloads_hold_no_counter() -> None:
    rng = np.random.default_rng(1)
    assert rolling_counters(np.full((16, 8), 7, np.uint8)) == []
    assert rolling_counters(rng.integers(0, 256, (16, 8)).astype(np.uint8)) == []
