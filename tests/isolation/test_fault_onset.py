"""Parts that were sound at first and went bad within the record."""

import math
from dataclasses import replace

import numpy as np
import pytest

from busdoc.isolation.suspects.exposure_cells import Cells
from busdoc.isolation.suspects.fault_onset import Late, choose_late, weigh_late
from busdoc.isolation.suspects.rates import N_RATES, RATES_HZ
from busdoc.machine.machine import Machine, Part, PartKind
from tests.truth.hand_records import NS, HandRecord, dropout, sweeper, unplug


def one_part(length_s: list[float], live: list[bool]) -> Cells:
    return Cells(
        from_s=np.concatenate(([0.0], np.cumsum(length_s)[:-1])),
        length_s=np.array(length_s),
        live=np.array(live).reshape(-1, 1),
        stint=np.zeros((len(length_s), 1), np.int64),
        up_s=float(sum(length_s)),
        looks=np.zeros(len(length_s)),
    )


def test_only_the_quiet_after_the_beginning_counts() -> None:
    # exp(-r t) over the 30 s from the second incident on, of 700 s in all (a Poisson process from its beginning on)
    t_s = np.array([100.0, 670.0])
    flat = np.broadcast_to(RATES_HZ, (1, 2, N_RATES)).copy()
    cells = one_part([100.0, 570.0, 30.0], [True, True, True])
    late = weigh_late(flat, np.zeros((1, 2, N_RATES)), cells, t_s, np.ones((1, 2)), 700.0)
    assert late.survival[0, 1] == pytest.approx(np.exp(-30.0 * RATES_HZ))
    assert late.prior[0] == 0.0
    slow, gap_s = float(RATES_HZ[0]), 570.0
    begun = -math.expm1(-slow * gap_s) / gap_s  # begun at an even time of the gap, and then a Poisson wait
    assert late.first[0, 1, 0] == pytest.approx(0.5 * slow + 0.5 * begun)


@pytest.mark.parametrize(("apart_s", "gap_s"), [(0.4, 1.0), (1.5, 1.5)])
def test_a_part_that_goes_bad_between_two_dropouts_does_so_within_a_second_at_least(
    apart_s: float, gap_s: float
) -> None:
    flat = np.broadcast_to(RATES_HZ, (1, 2, N_RATES)).copy()
    cells = one_part([100.0, apart_s, 50.0], [True, True, True])
    t_s = np.array([100.0, 100.0 + apart_s])
    late = weigh_late(flat, np.zeros((1, 2, N_RATES)), cells, t_s, np.ones((1, 2)), 200.0)
    assert late.prior[1] == pytest.approx(0.03 * gap_s / 200.0)
    assert late.first[0, 1] == pytest.approx(0.5 * RATES_HZ - 0.5 * np.expm1(-gap_s * RATES_HZ) / gap_s)


def test_the_quiet_of_each_plug_near_an_incident_counts_from_the_beginning_on() -> None:
    """Exposure ends with the last dropout, which goes on; near each of the three a plug was weighed by itself."""
    t_s = np.array([100.0, 670.0, 700.025])
    near = np.array([-1.0, -2.0, -4.0])[None, :, None] * np.ones((1, 3, N_RATES))
    flat = np.broadcast_to(RATES_HZ, (1, 3, N_RATES)).copy()
    cells = one_part([100.0, 570.0, 30.0], [True, True, True])
    fit = np.array([[1.0, 0.25, 1.0]])
    late = weigh_late(flat * fit[:, :, None], near, cells, t_s, fit, 730.0)
    exposed_s = np.array([600.0, 30.0, 0.0])
    slow = RATES_HZ < 0.01
    expected = np.exp(np.array([-7.0, -6.0, -4.0])[:, None] - np.outer(exposed_s, RATES_HZ))
    assert late.survival[0][:, slow] == pytest.approx(expected[:, slow])
    assert late.prior == pytest.approx(0.03 * np.array([0.0, 570.0, 30.025]) / 730.0)
    begun = -np.expm1(-570.0 * RATES_HZ) / 570.0
    assert late.first[0, 1] == pytest.approx(0.25 * (0.5 * RATES_HZ + 0.5 * begun))
    none = weigh_late(flat[:, :0], near[:, :0], cells, t_s[:0], fit[:, :0], 730.0)
    assert none.hazard.shape == (1, 0, N_RATES)


def test_a_late_beginning_is_chosen_where_it_is_likelier_than_one_from_the_start() -> None:
    """Of nine parts that are as good, six, and of each the best incident; of one incident alone none is late."""
    shape = (10, 3, N_RATES)
    late = Late(
        hazard=np.ones(shape),
        first=np.ones(shape) * np.array([0.0, 1.0, 2.0])[:, None],
        survival=np.ones(shape) * np.arange(10)[:, None, None],
        prior=np.array([0.0, 0.1, 0.1]),
    )
    hazard, survival = np.ones(shape), np.full((10, N_RATES), 0.2)
    # likelihood begun before the third: 2 x p x 0.1 against 0.2 from the start, so 1 x p; part 1 is no likelier
    assert choose_late(late, hazard, survival) == [(9, 2), (8, 2), (7, 2), (6, 2), (5, 2), (4, 2)]
    assert choose_late(late, 4.0 * hazard, survival) == [(9, 2), (8, 2), (7, 2), (6, 2), (5, 2)]
    assert choose_late(late, hazard[:, :1], survival) == ()
    two = replace(late, first=late.first[:, 1:], survival=late.survival[:, 1:], prior=late.prior[1:])
    assert choose_late(two, hazard[:, 1:], survival)[0] == (9, 1)


def test_a_part_that_was_quiet_for_long_and_then_shows_all_the_time_is_worth_a_late_beginning() -> None:
    session = HandRecord(sweeper(), start_ns=0)
    for k, branch in enumerate(("harness-A", "harness-C", "harness-D"), start=1):
        session.act(unplug(k, 20.0 + 2.0 * k, branch))
    for t in (10.0, 14.0, 19.0, 940.0, 944.0, 948.0):
        session.saw(dropout(t, t + 2.0, "hopper"))
    findings = session.findings(952 * NS)
    chosen = choose_late(findings.evidence.late, findings.evidence.hazard, findings.evidence.survival)
    names = {findings.reach.parts[p]: k for p, k in chosen}
    assert names.get("harness-B") == 3  # since the fourth dropout
    assert "harness-A" not in names


def test_a_part_is_not_bad_from_the_start_and_late_at_once() -> None:
    session = HandRecord(Machine(parts={"x": Part(name="x", kind=PartKind.LEAD)}), start_ns=0)
    for t in (10.0, 14.0, 940.0, 944.0, 948.0):
        session.saw(dropout(t, t + 2.0, "hopper"))
    sets = session.findings(952 * NS).posterior
    heavy = sets.sets[sets.weight > 1e-12]
    for row in heavy:
        parts = [int(p) for p in row if 0 <= p < len(sets.marginal)]
        assert len(parts) == len(set(parts))
