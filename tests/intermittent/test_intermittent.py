"""What many dropouts have in common: which of them are looked into, by whom, and over which time."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Gap, GapKind, Incident
from busdoc.health.summary import Health
from busdoc.intermittent.dropouts import dropout_sets, unexplained_losses
from busdoc.intermittent.intermittent import Intermittent, look_into
from busdoc.intermittent.rate_shape import Shape
from busdoc.isolation.verdict import Because
from busdoc.machine.controller_spec import Identity
from tests.truth.hand_records import NS, dropout, health, sweeper

NAMES = ("engine", "display", "broom", "hopper", "fan", "lift")


def because(n: int, *, action: int | None = None, expected: bool = False) -> Because:
    return Because(
        incident=n,
        action=action,
        probability=0.0 if action is None else 0.9,
        spontaneous=1.0 if action is None else 0.1,
        lag_ns=None if action is None else NS,
        expected=expected,
    )


def heard(name: str, incidents: tuple[Incident, ...], until_ns: int) -> ControllerHealth:
    away = [
        (loss.last_seen_ns, until_ns if loss.back_ns is None else loss.back_ns)
        for incident in incidents
        for loss in incident.losses
        if loss.controller == name
    ]
    lost_ns = sum(b - a for a, b in away)
    return ControllerHealth(
        name=name,
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=until_ns - lost_ns,
        lost_ns=lost_ns,
        dropouts=len(away),
        restarts=0,
        first_ns=0,
        last_ns=until_ns,
        absences=tuple(away),
    )


def record(hours: float, *incidents: Incident, gaps: tuple[Gap, ...] = ()) -> Health:
    ordered = tuple(sorted(incidents, key=lambda incident: incident.onset_ns))
    plain = health(3600.0 * hours, *ordered)
    controllers = tuple(heard(name, ordered, plain.until_ns) for name in NAMES)
    return replace(plain, controllers=controllers, gaps=gaps)


def looked_into(made: Health, actions: tuple[Action, ...] = ()) -> Intermittent | None:
    reasons = [because(n) for n in range(len(made.incidents))]
    return look_into(made, reasons, sweeper(), actions, epoch=True)


def alone(n: int, name: str = "hopper", from_s: float = 100.0) -> list[Incident]:
    return [dropout(from_s + 600.0 * k, from_s + 604.0 + 600.0 * (k - 1), name) for k in range(n)]


def test_two_dropouts_are_too_few_to_say_anything() -> None:
    assert looked_into(record(2.0, *alone(2))) is None


def test_three_dropouts_are_looked_into() -> None:
    found = looked_into(record(2.0, *alone(3)))
    assert found is not None
    assert found.dropouts == (0, 1, 2)
    assert [rate.n for rate in found.rates] == [3]


def test_what_an_action_took_away_or_likely_caused_is_not_looked_into() -> None:
    incidents = alone(5)
    reasons = [because(0), because(1, action=7, expected=True), because(2, action=8), because(3), because(4)]
    assert unexplained_losses(incidents, reasons) == (0, 3, 4)


def test_a_machine_that_went_off_and_on_without_a_journal_is_nobodys_dropout() -> None:
    off = dropout(900.0, 930.0, *NAMES, everyone=True)
    reasons = [because(n) for n in range(1)]
    assert unexplained_losses([off], reasons, journal_kept=False) == ()
    assert unexplained_losses([off], reasons, journal_kept=True) == (0,)


def test_several_groups_have_a_rate_each_beside_the_rate_of_all() -> None:
    found = looked_into(record(3.0, *alone(6), *alone(4, "broom", 350.0)))
    assert found is not None
    assert [(rate.controllers, rate.n) for rate in found.rates] == [((), 10), (("hopper",), 6), (("broom",), 4)]


def test_a_group_of_two_has_no_rate_of_its_own() -> None:
    incidents = [*alone(6), *alone(2, "broom", 350.0)]
    found = looked_into(record(3.0, *incidents))
    assert found is not None
    assert [rate.controllers for rate in found.rates] == [(), ("hopper",)]
    sets = dropout_sets(incidents, range(8), found.groups)
    assert sets[0].incidents == tuple(sorted(incidents, key=lambda incident: incident.last_seen_ns))


def test_time_that_was_not_recorded_or_in_which_it_was_away_counts_in_no_rate() -> None:
    gap = Gap(channel=None, from_ns=3600 * NS, to_ns=2 * 3600 * NS, kind=GapKind.CAPTURE_GAP)
    found = looked_into(record(3.0, *alone(4), gaps=(gap,)))
    assert found is not None
    assert found.rates[0].watched_s == pytest.approx(2 * 3600.0 - 4 * 4.0)


def test_power_ups_of_the_journal_are_held_against_the_dropouts() -> None:
    made = record(2.0, *alone(8))
    on = tuple(
        Action(n=k, time_ns=round((90.0 + 600.0 * k) * NS), uncertainty_ns=NS, kind=ActionKind.POWER_ON, part=None)
        for k in range(8)
    )
    found = looked_into(made, on)
    assert found is not None
    test = next(test for test in found.rates[0].tests if test.shape is Shape.AFTER_POWER_UP)
    assert test.found
    assert "8 of 8 within 60 s" in test.words


def test_questions_about_the_shape_pay_for_one_another() -> None:
    found = looked_into(record(3.0, *alone(6), *alone(4, "broom", 350.0)))
    assert found is not None
    for rate in found.rates:
        assert all(test.p_holm >= test.p for test in rate.tests)
