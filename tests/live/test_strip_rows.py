"""The strip's stretches: every loss is in them, whatever became of the one before."""

from dataclasses import replace

from busdoc.capture.channels import ChannelTable
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident
from busdoc.isolation.verdict import Because
from busdoc.live.rows import controller_rows, losses_by_controller
from busdoc.machine.controller_spec import Identity
from tests.truth.hand_records import NS, dropout, health

UNEXPLAINED = Because(incident=0, action=None, probability=0.0, spontaneous=1.0, lag_ns=None, expected=False)
LOST, STARTING, STEADY = ControllerState.LOST, ControllerState.STARTING, ControllerState.STEADY


def spans(until_s: float, *incidents: Incident, state: ControllerState = STEADY) -> list[tuple[float, float, str]]:
    hopper = ControllerHealth(
        name="hopper",
        channel=0,
        identity=Identity(),
        frames=1,
        streams=(),
        state=state,
        present_ns=0,
        lost_ns=0,
        dropouts=len(incidents),
        restarts=0,
        first_ns=0,
        last_ns=round(until_s * NS),
    )
    heard = replace(health(until_s, *incidents), controllers=(hopper,))
    (row,) = controller_rows(heard, losses_by_controller(incidents, [UNEXPLAINED] * len(incidents)), (), ChannelTable())
    return [(span.from_ns / NS, span.to_ns / NS, span.state) for span in row.spans]


def never_in_step(incident: Incident) -> Incident:
    return replace(incident, losses=tuple(replace(loss, steady_ns=None) for loss in incident.losses))


def test_a_loss_after_one_that_never_came_into_step_is_shown() -> None:
    found = spans(100.0, never_in_step(dropout(10.0, 15.0, "hopper")), dropout(40.0, 50.0, "hopper"))
    assert found[:4] == [(0.0, 10.0, STEADY), (10.0, 15.0, LOST), (15.0, 40.0, STARTING), (40.0, 50.0, LOST)]
    assert found[-1] == (50.2, 100.0, STEADY)


def test_one_that_is_in_step_now_is_not_shown_as_starting() -> None:
    found = spans(100.0, never_in_step(dropout(10.0, 15.0, "hopper")))
    assert found == [(0.0, 10.0, STEADY), (10.0, 15.0, LOST), (15.0, 100.0, STEADY)]


def test_one_that_is_not_in_step_yet_is_shown_as_starting() -> None:
    found = spans(20.0, never_in_step(dropout(10.0, 15.0, "hopper")), state=STARTING)
    assert found[-1] == (15.0, 20.0, STARTING)
