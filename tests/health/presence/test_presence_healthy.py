"""Healthy traffic on a loaded bus, made without `busdoc.simulation`: nothing may be reported.

Frames queue for the wire at 80 % load, every controller's clock is off by up to 100 ppm, single frames are lost, one
period follows the engine, one stream pauses with it; events, bursts and answers on change come in between.
"""

import numpy as np
import pytest

from busdoc.arrays import Int64Array
from busdoc.health.incident import IncidentKind
from tests.health.made_traffic import MS, Maker, S, Sent, health_of, merged, of_kind

UNTIL_NS = 600 * S
WIRE_NS = 560_000  # an extended frame of eight bytes at 250 kbit/s, about 140 bits


def queued(sent: list[Sent]) -> list[Sent]:
    """Let frames wait for the wire, first come first served, the more urgent identifier first at the same moment."""
    of = np.concatenate([np.full(len(one.t_ns), k) for k, one in enumerate(sent)])
    ready_ns = np.concatenate([one.t_ns for one in sent])
    urgency = np.concatenate([np.full(len(one.t_ns), one.id) for one in sent])
    order = np.lexsort((urgency, ready_ns // MS))
    nth = np.arange(len(order), dtype=np.int64)
    # end(i) = max(end(i - 1), ready(i)) + wire, solved at once
    end_ns = np.maximum.accumulate(np.sort(ready_ns)[nth] - nth * WIRE_NS) + (nth + 1) * WIRE_NS
    arrived = np.empty_like(end_ns)
    arrived[order] = end_ns
    return [Sent(id=one.id, t_ns=np.sort(arrived[of == k])) for k, one in enumerate(sent)]


def with_engine(maker: Maker, identifier: int) -> Sent:
    """Send every 10 to 100 ms, as the engine turns."""
    grid_s = np.arange(0.0, UNTIL_NS / S, 0.01)
    rate_hz = 10.0 + 45.0 * (1.0 + np.sin(2 * np.pi * grid_s / 60.0 + maker.rng.uniform(0, 6)))
    turns = np.cumsum(rate_hz) * 0.01
    times_s = np.interp(np.arange(1, int(turns[-1])), turns, grid_s)
    return Sent(id=identifier, t_ns=(times_s * S).astype(np.int64))


def bursts(maker: Maker, identifier: int) -> Int64Array:
    starts = np.sort(maker.rng.integers(0, UNTIL_NS, 60))
    return np.sort(np.concatenate([start + WIRE_NS * np.arange(maker.rng.integers(5, 30)) for start in starts]))


def healthy(seed: int) -> list[Sent]:
    """Fill a bus of 250 kbit/s to about 80 %."""
    maker = Maker(seed=seed)
    rng = maker.rng
    sent: list[Sent] = []
    load = 0.0
    addresses = [int(address) for address in 1 + rng.permutation(120)[:10]]
    drift = {address: 1.0 + rng.uniform(-100e-6, 100e-6) for address in addresses}
    k = 0
    while load < 0.78:
        address = addresses[k % len(addresses)]
        period_ms = 20 if k < len(addresses) else int(rng.choice((10, 20, 50, 100, 250, 1000)))
        identifier = int(rng.integers(2, 8)) << 26 | 0x00FF0000 | k << 8 | address
        one = maker.cyclic(
            identifier, round(period_ms * MS * drift[address]), UNTIL_NS, jitter=float(rng.uniform(0, 0.05))
        )
        kept = rng.random(len(one.t_ns)) > 1e-4  # single frames are lost
        sent.append(Sent(id=identifier, t_ns=one.t_ns[kept]))
        load += WIRE_NS / (period_ms * MS)
        k += 1
    first, second = addresses[:2]
    sent.append(with_engine(maker, 0x0CF00400 & ~0xFF | first))
    sent.append(maker.events(0x18FFE000 | first, 3 * S, UNTIL_NS))
    sent.append(Sent(id=0x18FFE100 | second, t_ns=bursts(maker, 0)))
    change = np.sort(np.concatenate((np.arange(0, UNTIL_NS, 5 * S), rng.integers(0, UNTIL_NS, 80))))
    sent.append(Sent(id=0x18FFE200 | second, t_ns=change))
    return queued(sent)


@pytest.mark.parametrize("seed", range(4))
def test_a_loaded_healthy_bus_has_nothing_to_report(seed: int) -> None:
    sent = healthy(seed)
    assert 0.75 < sum(len(one.t_ns) for one in sent) * WIRE_NS / UNTIL_NS < 0.9
    health = health_of(merged(*sent), until_ns=UNTIL_NS)
    assert health.incidents == ()
    assert len(health.controllers) == 10


def test_a_stream_that_pauses_by_design_costs_its_controller_no_dropout() -> None:
    sent = healthy(5)
    own = sent[0]
    for from_ns in range(60 * S, UNTIL_NS, 60 * S):
        own = own.without(from_ns, from_ns + 8 * S)
    health = health_of(merged(own, *sent[1:]), until_ns=UNTIL_NS)
    assert of_kind(health, IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE) == []


def test_a_controller_taken_off_the_same_bus_is_found() -> None:
    sent = healthy(6)
    address = sent[0].id & 0xFF
    cut = [one.without(300 * S, 304 * S) if one.id & 0xFF == address else one for one in sent]
    (incident,) = of_kind(health_of(merged(*cut), until_ns=UNTIL_NS), IncidentKind.DROPOUT)
    assert incident.controllers == (f"address 0x{address:02X}",)
