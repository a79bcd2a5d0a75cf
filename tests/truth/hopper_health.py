"""A health by hand: the hopper controller alone, off the bus now and then."""

from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity

__all__ = ["hopper"]

NS = 10**9


def hopper(until_s: float, *losses: tuple[float, float | None], ran_on: RanOn = RanOn.RESTARTED) -> Health:
    """The hopper, off the bus from … to … s."""
    incidents = []
    for gone_s, back_s in losses:
        back_ns = None if back_s is None else round(back_s * NS)
        loss = Loss(
            controller="hopper",
            last_seen_ns=round(gone_s * NS),
            onset_ns=round(gone_s * NS) + NS // 10,
            back_ns=back_ns,
            steady_ns=back_ns,
            ran_on=ran_on,
            p_restarted=None,
        )
        incidents.append(
            Incident(
                kind=IncidentKind.DROPOUT,
                channel=0,
                controllers=("hopper",),
                last_seen_ns=loss.last_seen_ns,
                onset_ns=loss.onset_ns,
                back_ns=back_ns,
                steady_ns=back_ns,
                ran_on=ran_on,
                p_restarted=None,
                losses=(loss,),
            )
        )
    until_ns = round(until_s * NS)
    absences = tuple((round(a * NS), until_ns if b is None else round(b * NS)) for a, b in losses)
    return Health(
        start_ns=0,
        until_ns=until_ns,
        frames=1,
        error_frames=0,
        controllers=(
            ControllerHealth(
                name="hopper",
                channel=0,
                identity=Identity(address=0x31),
                frames=1,
                streams=(),
                state=ControllerState.STEADY,
                present_ns=0,
                lost_ns=0,
                dropouts=0,
                restarts=0,
                first_ns=0,
                last_ns=until_ns,
                absences=absences,
            ),
        ),
        incidents=tuple(incidents),
        gaps=(),
    )
