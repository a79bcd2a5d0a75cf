"""What is said of a silence of everybody, held against a posterior in which the laptop's own lead is one of the parts.

The lead is given to the engine as a piece of bus wiring before the first trunk, ten times as likely to let go as that
one (common practice: a lead that is plugged in for an afternoon falls out far more often than a trunk breaks).
"""

from dataclasses import replace
from types import MappingProxyType

import pytest

from busdoc.actions.action import OWN_LEAD_IN, Action, ActionKind
from busdoc.analysis.judgement import Observed, weigh
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import NAMED_FROM
from busdoc.machine.controller_spec import Identity
from busdoc.machine.machine import Machine, Part, PartKind
from tests.truth.hand_records import NS, action, dropout, health, sweeper

ALL = ("engine", "display", "broom", "hopper", "fan", "lift")
_TIMES = 10.0


def silences(*at_s: float) -> list[Incident]:
    """Everybody falls silent for three seconds, and ran on through it."""
    return [dropout(t, t + 3.0, *ALL, p_restarted=0.03, everyone=True) for t in at_s]


def moved(*at_s: float) -> list[Action]:
    return [action(n, t + 0.3, ActionKind.WIGGLE, "front-trunk") for n, t in enumerate(at_s, start=1)]


def with_the_lead() -> Machine:
    machine, share = sweeper(), 0.06
    parts = dict(machine.parts)
    parts["front-trunk"] = replace(parts["front-trunk"], owner="own-lead", prior=share)
    parts["rear-trunk"] = replace(parts["rear-trunk"], prior=share)
    parts["own-lead"] = Part(name="own-lead", kind=PartKind.SEGMENT, prior=_TIMES * share)
    return replace(machine, parts=MappingProxyType(parts))


CASES: list[tuple[list[Incident], list[Action], bool]] = [
    (silences(60.0), [], False),
    (silences(30.0, 80.0, 150.0, 220.0, 300.0), [], False),
    (silences(60.0), moved(100.0), False),
    (silences(60.0), moved(60.0), False),
    (silences(30.0, 80.0, 150.0, 220.0, 300.0), moved(300.0), False),
    (silences(60.0, 90.0), moved(60.0, 90.0), True),
    (silences(60.0, 90.0, 120.0), moved(60.0, 90.0, 120.0), True),
    (silences(30.0, 80.0, 150.0, 220.0, 300.0, 340.0), moved(300.0, 340.0), True),
]


def heard(fell: list[Incident], until_s: float = 400.0) -> Health:
    """A record in which everybody was there."""
    unknown = ControllerHealth(
        name="",
        channel=0,
        identity=Identity(),
        frames=4000,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=round(until_s * NS),
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=0,
        last_ns=round(until_s * NS),
    )
    return replace(health(until_s, *fell), controllers=tuple(replace(unknown, name=name) for name in ALL))


def named_by_rule(fell: list[Incident], done: list[Action]) -> list[str]:
    weighed = weigh(sweeper(), Observed(health=heard(fell), codes=(), warnings=()), done)
    return [one.part for one in weighed.conclusion.named]


@pytest.mark.parametrize(("fell", "done", "named"), CASES)
def test_the_trunk_is_named_exactly_where_a_posterior_with_the_lead_in_it_names_it(
    fell: list[Incident], done: list[Action], named: bool
) -> None:
    machine, seen = with_the_lead(), heard(fell)
    verdict = isolate(seen, done, machine, attribute(seen, done, machine))
    with_lead = {one.part: one.probability for one in verdict.suspects}
    assert (with_lead["front-trunk"] >= NAMED_FROM) is named
    assert named_by_rule(fell, done) == (["front-trunk"] if named else [])
    assert max(p for part, p in with_lead.items() if part not in ("front-trunk", "own-lead")) < 0.1


def test_once_somebody_has_looked_at_the_lead_the_silence_counts_against_the_trunk() -> None:
    answered = [replace(action(1, 60.0, ActionKind.MARK), note=OWN_LEAD_IN)]
    weighed = weigh(sweeper(), Observed(health=heard(silences(60.0)), codes=(), warnings=()), answered)
    assert weighed.verdict.suspects[0].part == "front-trunk"


@pytest.mark.parametrize("p_restarted", [None, 0.03])
def test_while_nobody_is_heard_nothing_is_quiet(p_restarted: float | None) -> None:
    """Off for half a minute or for six: with a branch out meanwhile, each part is as suspect as it was."""
    fell = [dropout(t, t + 4.0, "hopper") for t in (10.0, 20.0, 31.0, 40.0)]
    done = [action(1, 60.0, ActionKind.POWER_OFF), action(2, 65.0, ActionKind.UNPLUG, "harness-A")]
    found = []
    for until_s in (90.0, 400.0):
        back_s = None if p_restarted is None else until_s - 1.0
        silence = dropout(60.0, back_s, *ALL, p_restarted=p_restarted, everyone=True)
        weighed = weigh(sweeper(), Observed(health=heard([*fell, silence], until_s), codes=(), warnings=()), done)
        found.append({one.part: one.probability for one in weighed.verdict.suspects})
    assert found[0] == pytest.approx(found[1], abs=0.02)
    assert found[0]["harness-A"] < 0.4
