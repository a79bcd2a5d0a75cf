"""The evidence of a record against the same worked out by hand: all parts, incidents, rates, readings of a press."""

from collections.abc import Sequence
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import exponnorm, norm

from busdoc.actions.action import Action, ActionKind
from busdoc.health.incident import Incident
from busdoc.isolation.suspects.evidence import Evidence, weigh_evidence
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.isolation.suspects.losses import gather_losses
from busdoc.isolation.suspects.press_timing import lateness_weights
from busdoc.isolation.suspects.rates import BACKGROUND_HZ, RATES_HZ
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind
from tests.isolation.evidence_by_hand import Record, background_density, weigh_part
from tests.isolation.records import action, dropout

CARRIER = Machine(
    name="Straddle carrier",
    parts=MappingProxyType(
        {
            part.name: part
            for part in (
                Part(name="fuse", kind=PartKind.FEED),
                Part(name="trunk", kind=PartKind.SEGMENT),
                Part(name="harness", kind=PartKind.HARNESS, owner="spreader"),
                Part(name="sensor", kind=PartKind.SENSOR, owner="harness"),
            )
        }
    ),
    controllers=MappingProxyType(
        {
            "spreader": Controller(spec=ControllerSpec(name="spreader"), feed="fuse", segment="trunk"),
            "hoist": Controller(spec=ControllerSpec(name="hoist"), feed="fuse", segment="trunk"),
        }
    ),
)
MOVES = (ActionKind.PLUG, ActionKind.UNPLUG)


@st.composite
def records(draw: st.DrawFn) -> tuple[list[Incident], list[Action], float]:
    """Up to six incidents at least eight seconds apart and eight presses at least eleven seconds apart."""
    t, actions = 0.0, []
    for n in range(1, draw(st.integers(0, 8)) + 1):
        t += draw(st.floats(11.0, 60.0))
        part, kind = draw(st.sampled_from(("harness", "sensor"))), draw(st.sampled_from(MOVES))
        actions.append(action(n, t, kind, part))
    incidents, fell = [], draw(st.floats(1.0, 40.0))
    for _ in range(draw(st.integers(0, 6))):
        close = [a.time_ns / 1e9 for a in actions if a.time_ns / 1e9 > fell + 3.0]
        around_a_press = draw(st.booleans())
        if close and around_a_press:
            fell = max(fell, close[0] + draw(st.floats(-2.5, 4.5)))
        lasts = draw(st.floats(0.5, 6.0))
        names = draw(st.sampled_from((("spreader",), ("hoist",), ("spreader", "hoist"))))
        incidents.append(dropout(fell, fell + lasts, *names, p_restarted=draw(st.sampled_from((None, 0.9, 0.03)))))
        fell += lasts + draw(st.floats(8.0, 100.0))
    return incidents, actions, max(t, fell) + draw(st.floats(1.0, 300.0))


def weigh(incidents: Sequence[Incident], actions: Sequence[Action], span_s: float) -> tuple[Evidence, Record]:
    """Give what the engine makes of a record, and the record as it is worked out by hand."""
    reach = find_reach(CARRIER, actions)
    losses = gather_losses(incidents, reach.controllers, 0)
    evidence = weigh_evidence(CARRIER, losses, range(len(losses.t_s)), reach, actions, 0, span_s)
    record = Record(
        reach=reach,
        losses=losses,
        written=[a.time_ns / 1e9 for a in actions],
        kinds=[CARRIER.parts[p].kind if p in CARRIER.parts else None for p in reach.parts],
        span=span_s,
        presses=[(a.part or "", a.kind.value) for a in actions],
    )
    return evidence, record


@settings(max_examples=30)
@given(record=records())
def test_it_is_what_every_press_read_in_every_way_gives(record: tuple[list[Incident], list[Action], float]) -> None:
    evidence, by_hand = weigh(*record)
    n_incidents = len(by_hand.losses.t_s)
    for p, part in enumerate(by_hand.reach.parts):
        for r in range(2, len(RATES_HZ), 5):
            weighed = weigh_part(by_hand, p, float(RATES_HZ[r]))
            assert evidence.survival[p, r] == pytest.approx(weighed.survival, rel=1e-9, abs=1e-300), part
            for k in range(n_incidents if weighed.survival > 1e-250 else 0):  # or it is out of the question
                # how an incident ended is known up to a factor: held against the background
                engine = evidence.hazard[p, k, r] / evidence.background[k]
                hand = weighed.hazard[k] / (background_density(by_hand, k) * BACKGROUND_HZ)
                assert engine == pytest.approx(hand, rel=1e-9, abs=1e-12), (part, k, r)
    up_s = sum(by_hand.span - sum(b - a for a, b in absences) for absences in by_hand.losses.away)
    assert evidence.calm == pytest.approx(np.exp(-BACKGROUND_HZ * up_s), rel=1e-9)


def test_a_press_is_late_by_a_lag_that_a_hand_blurs_and_one_in_ten_at_any_time() -> None:
    """The exponentially modified normal distribution of scipy (Grushka, Analytical Chemistry 44 (1972) 1733)."""
    nodes = np.arange(-30, 51) / 10.0
    lag = exponnorm.pdf(nodes, 0.55 / 0.15, scale=0.15)
    sloppy = norm.pdf(nodes, 0.3, 1.2)
    expected = 0.9 * lag / lag.sum() + 0.1 * sloppy / sloppy.sum()
    assert lateness_weights() == pytest.approx(expected, abs=5e-3)
    assert lateness_weights().sum() == pytest.approx(1.0)


def test_the_same_press_twice_at_once_is_a_doubled_one_and_no_contradiction() -> None:
    """Out by the first press, and at fault if that was wrong: a second one within three seconds does not make it so."""

    def blamed(*pressed_s: float) -> float:
        pressed = [action(n, t, ActionKind.UNPLUG, "harness") for n, t in enumerate(pressed_s, start=1)]
        evidence, record = weigh([dropout(20.0, 24.0, "spreader"), dropout(51.9, 57.0, "spreader")], pressed, 200.0)
        return float(evidence.hazard[record.reach.parts.index("harness"), 1, 10])

    assert blamed(50.0, 52.9) == pytest.approx(blamed(50.0), rel=0.5)
    assert blamed(50.0, 53.1) > 10.0 * blamed(50.0)
