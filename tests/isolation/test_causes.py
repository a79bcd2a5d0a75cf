"""What can be a cause: the parts, those gone bad within the record, and what a map leaves out."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from busdoc.actions.action import ActionKind
from busdoc.isolation.suspects.fault_onset import choose_late
from busdoc.isolation.suspects.sets.causes import OFF_THE_MAP, list_causes
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind
from tests.truth.hand_records import NS, HandRecord, action, dropout, plug, sweeper, unplug


def test_of_a_part_that_went_bad_within_the_record_only_what_came_since_counts() -> None:
    """Quiet for a quarter of an hour with three branches out, and then one dropout after the other.

    The fan was never heard, and the lift did not come back with the power: a part that was sound at first did not make
    the one, and may have made the other.
    """
    record = HandRecord(sweeper(), start_ns=0)
    for k, branch in enumerate(("harness-A", "harness-C", "harness-D"), start=1):
        record.act(unplug(k, 20.0 + 2.0 * k, branch))
    record.act(action(4, 930.0, ActionKind.POWER_CYCLE))
    for t in (10.0, 14.0, 19.0, 970.0, 974.0, 978.0):
        record.saw(dropout(t, t + 2.0, "hopper"))
    record.away("fan", 0, None)
    record.away("lift", 900 * NS, None)
    findings = record.findings(982 * NS)
    evidence, n_parts = findings.evidence, len(findings.reach.parts)
    # How it shows later is the evidence's to say: at each dropout otherwise, and otherwise than from the start.
    otherwise = evidence.late.hazard * np.arange(2.0, 8.0)[:, None]
    evidence = replace(evidence, late=replace(evidence.late, hazard=otherwise))
    causes = list_causes(findings.machine, findings.reach, evidence, findings.weights)
    late = choose_late(evidence.late, evidence.hazard, evidence.survival)
    assert late
    assert evidence.starts.action == (None, 3)
    assert causes.n_parts == n_parts
    assert causes.part.tolist() == [*range(n_parts), *[p for p, _ in late]]
    assert causes.late.tolist() == [False] * n_parts + [True] * len(late)
    assert np.array_equal(causes.evidence.hazard[:n_parts], evidence.hazard)
    assert np.array_equal(causes.evidence.survival[:n_parts], evidence.survival)
    assert np.array_equal(causes.evidence.starts.hazard[:n_parts], evidence.starts.hazard)
    for q, (p, k) in enumerate(late, start=n_parts):
        assert not causes.evidence.hazard[q, :k].any()
        assert np.array_equal(causes.evidence.hazard[q, k], evidence.late.first[p, k])
        assert np.array_equal(causes.evidence.hazard[q, k + 1 :], evidence.late.hazard[p, k + 1 :])
        assert np.array_equal(causes.evidence.survival[q], evidence.late.survival[p, k])
        assert causes.weights[q] / causes.weights[p] == pytest.approx(evidence.late.prior[k])
        assert not causes.evidence.starts.hazard[q, 0].any()
        assert np.array_equal(causes.evidence.starts.hazard[q, 1], evidence.starts.hazard[p, 1])
    assert causes.weights.sum() == pytest.approx(1.0)


def test_what_a_map_of_controllers_leaves_out_is_one_cause_for_each_of_them() -> None:
    """Branches, feeds and segments have 62, 12 and 12 of 100 troubles (common practice); it has the others' 14."""
    controllers = {name: Controller(spec=ControllerSpec(name=name)) for name in ("hopper", "fan")}
    record = HandRecord(Machine(controllers=controllers), start_ns=0)
    record.saw(dropout(20.0, 26.0, "hopper"))
    findings = record.findings(60 * NS)
    causes = list_causes(findings.machine, findings.reach, findings.evidence, findings.weights)
    assert findings.reach.parts == ("hopper", "fan")
    assert causes.part.tolist() == [0, 1, OFF_THE_MAP, OFF_THE_MAP]
    assert causes.weights == pytest.approx([0.07, 0.07, 0.43, 0.43])
    assert np.array_equal(causes.evidence.hazard[2:], causes.evidence.hazard[:2])
    assert not causes.late.any()
    assert causes.n_parts == 2


def test_of_one_controller_all_that_a_map_leaves_out_is_one_cause() -> None:
    """Its branches are known, its feed and its segment are not: 24 of 100 troubles (common practice)."""
    controllers = {"hopper": Controller(spec=ControllerSpec(name="hopper"))}
    parts = {"harness": Part(name="harness", kind=PartKind.HARNESS, owner="hopper")}
    record = HandRecord(Machine(controllers=controllers, parts=MappingProxyType(parts)), start_ns=0)
    record.saw(dropout(20.0, 26.0, "hopper"))
    findings = record.findings(60 * NS)
    causes = list_causes(findings.machine, findings.reach, findings.evidence, findings.weights)
    assert causes.part.tolist() == [0, 1, OFF_THE_MAP]
    assert causes.weights[2] == pytest.approx(0.24)


def unmapped(*falls: tuple[float, tuple[str, ...]]) -> dict[str, float]:
    """Three controllers on a map without parts; one plug that only the journal names is out from 40 s to 60 s."""
    controllers = {name: Controller(spec=ControllerSpec(name=name)) for name in ("hopper", "fan", "lift")}
    record = HandRecord(Machine(controllers=controllers), start_ns=0)
    record.act(unplug(1, 40.0, "left"))
    record.act(plug(2, 60.0, "left"))
    for t, names in falls:
        record.saw(dropout(t, t + 2.0, *names))
    findings = record.findings(120 * NS)
    given = dict(zip(findings.reach.parts, findings.posterior.marginal.tolist(), strict=True))
    return {**given, "elsewhere": findings.posterior.elsewhere}


def test_a_plug_that_no_map_knows_hangs_on_one_controller_and_does_not_explain_the_others() -> None:
    """One controller falls as it goes in and after: that one's plug. Each time another does: no plug's."""
    times_s = (61.0, 70.0, 82.0, 99.0)
    assert unmapped(*((t, ("hopper",)) for t in times_s))["left"] > 0.5
    each = unmapped(*((t, (name,)) for t, name in zip(times_s, ("hopper", "fan", "lift", "hopper"), strict=True)))
    assert each["left"] < 0.2


def test_controllers_that_fall_together_without_a_map_are_a_supplys_or_wires_and_no_plugs() -> None:
    together = unmapped(*((t, ("hopper", "fan")) for t in (61.0, 70.0, 82.0, 99.0)))
    assert together["left"] < 0.2
    assert together["elsewhere"] > 0.8
