"""Incidents put into arrays: who fell when, who was away already, and since when each had been back."""

from dataclasses import replace

import numpy as np
import pytest

from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import IncidentKind, RanOn
from busdoc.isolation.suspects.losses import gather_losses, losses_of, silent_at_first
from busdoc.machine.controller_spec import Identity
from tests.truth.hand_records import NS, dropout, health

NAMES = ("hopper", "fan", "lift")


def test_a_record_of_four_incidents_by_hand() -> None:
    """Missed a twentieth of a second after the last frame: the moment is taken halfway. The count starts at 10 s.

    The lift is away from the start and never heard, the engine for five seconds. The fan falls alone, then with the
    hopper, which falls once more while the fan is away and stays away.
    """
    incidents = [
        dropout(90.0, None, "hopper"),
        dropout(30.0, 34.0, "fan", p_restarted=0.9),
        dropout(50.0, 56.0, "hopper", "fan", p_restarted=None),
        dropout(85.0, 95.0, "fan"),
        replace(dropout(70.0, 72.0, "hopper"), kind=IncidentKind.LATE),
    ]
    away = [("lift", 10 * NS, None), ("engine", 10 * NS, 15 * NS), ("not on the map", 10 * NS, None)]
    losses = gather_losses(incidents, (*NAMES, "engine"), 10 * NS, away)
    assert losses.incident == (1, 2, 3, 0)
    assert losses.t_s == pytest.approx([20.025, 40.025, 75.025, 80.025])
    fell = [["fan"], ["hopper", "fan"], ["fan"], ["hopper"]]
    assert [[name for name, one in zip(NAMES, row, strict=False) if one] for row in losses.hit] == fell
    assert not losses.hit[:, 3].any()
    up = [[True, True, False, True]] * 3 + [[True, False, False, True]]
    assert losses.up.tolist() == up
    assert losses.since_s == pytest.approx(
        np.array([[0.0, 0.0, 20.0, 5.0], [0.0, 24.0, 40.0, 5.0], [46.0, 46.0, 75.0, 5.0], [46.0, 80.0, 80.0, 5.0]])
    )
    assert losses.away[0] == ((40.0, 46.0), (80.0, np.inf))
    assert losses.away[1] == ((20.0, 24.0), (40.0, 46.0), (75.0, 85.0))
    assert losses.away[2:] == (((0.0, np.inf),), ((0.0, 5.0),))
    assert losses.p_restarted[0] == pytest.approx(0.9)
    assert np.isnan(losses.p_restarted[[1, 3]]).all()


def test_one_that_falls_again_before_it_was_back_was_away_all_the_while() -> None:
    """Two absences that overlap are one; one that begins as the other ends is another."""
    spans = [("fan", 0, 20 * NS), ("fan", 5 * NS, 10 * NS), ("fan", 15 * NS, 30 * NS), ("fan", 30 * NS, 40 * NS)]
    losses = gather_losses([dropout(15.0, 18.0, "fan"), dropout(60.0, 59.0, "fan")], NAMES, 0, spans)
    assert losses.away[1] == ((0.0, 30.0), (30.0, 40.0), (60.0, 60.0))
    assert losses.hit[:, 1].all()
    assert losses.up[:, 1].all()  # it was lost, so it had been heard
    assert losses.since_s[:, 1] == pytest.approx([15.0, 40.0])


def test_one_that_came_back_as_another_fell_was_on_the_bus_by_then() -> None:
    losses = gather_losses([dropout(15.0, 30.0, "fan"), dropout(30.0, 40.0, "hopper")], NAMES, 0)
    assert losses.up.tolist() == [[True, True, True], [True, True, True]]
    assert losses.since_s[1].tolist() == [0.0, 30.0, 0.0]


@pytest.mark.parametrize("told", [0.0, 0.04, 0.3, 0.96, 1.0])
def test_one_controller_is_told_wrongly_in_four_of_a_hundred_cases_at_least(told: float) -> None:
    losses = gather_losses([dropout(15.0, 18.0, "fan", p_restarted=told)], NAMES, 0)
    assert losses.p_restarted[0] == min(max(told, 0.04), 0.96)


def test_two_that_agree_are_surer_than_either_by_bayes() -> None:
    losses = gather_losses([dropout(15.0, 18.0, "fan", "lift", p_restarted=0.9)], NAMES, 0)
    assert losses.p_restarted[0] == pytest.approx(0.81 / (0.81 + 0.01))


def test_an_incident_that_does_not_list_its_losses_is_the_same_for_each_of_its_controllers() -> None:
    whole = replace(dropout(15.0, 18.0, "fan", "lift", p_restarted=0.9), losses=())
    listed = dropout(15.0, 18.0, "fan", "lift", p_restarted=0.9).losses
    assert losses_of(whole) == listed
    assert listed[0].ran_on is RanOn.RESTARTED


@pytest.mark.parametrize(("first_s", "silent"), [(12.0, False), (12.1, True), (None, True)])
def test_who_is_first_heard_after_two_seconds_was_away_as_the_capture_began(
    first_s: float | None, silent: bool
) -> None:
    """Twice a heartbeat's usual second (common practice)."""
    first_ns = None if first_s is None else round(first_s * NS)
    fan = ControllerHealth(
        name="fan",
        channel=0,
        identity=Identity(),
        frames=0,
        streams=(),
        state=ControllerState.STEADY,
        present_ns=0,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=first_ns,
        last_ns=None,
    )
    seen = replace(health(100.0), start_ns=10 * NS, controllers=(fan,))
    assert silent_at_first(seen) == ((("fan", 10 * NS, first_ns),) if silent else ())
