"""The losses of all controllers as spans, apart from the incidents that they came in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn

__all__ = ["FALLS", "LossSpan", "gathered", "losses_in", "taken_out"]

FALLS = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.RESTART)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LossSpan:
    """One controller's loss, with the incident that it came in."""

    loss: Loss
    incident: Incident

    @property
    def key(self) -> tuple[str, int]:
        """Name it among all losses."""
        return self.loss.controller, self.loss.last_seen_ns

    @property
    def ran_on(self) -> bool:
        """Whether its controller is known to have kept running."""
        return self.loss.ran_on is RanOn.KEPT_RUNNING


def losses_in(incidents: Iterable[Incident], kinds: Sequence[IncidentKind] = FALLS) -> list[LossSpan]:
    """Give the losses of all incidents of these kinds, in their order."""
    return [
        LossSpan(loss=loss, incident=incident)
        for incident in incidents
        if incident.kind in kinds
        for loss in incident.losses
    ]


def gathered(kind: IncidentKind, spans: Sequence[LossSpan], why: tuple[str, ...] = ()) -> Incident:
    """Make one incident of losses, in the order in which the controllers left."""
    ordered = sorted((span.loss for span in spans), key=lambda loss: (loss.last_seen_ns, loss.controller))
    names = tuple(dict.fromkeys(loss.controller for loss in ordered))
    backs = [loss.back_ns for loss in ordered]
    steady = [loss.steady_ns for loss in ordered]
    channels = {span.incident.channel for span in spans}
    ways = {loss.ran_on for loss in ordered}
    return Incident(
        kind=kind,
        channel=channels.pop() if len(channels) == 1 else None,
        controllers=names,
        last_seen_ns=ordered[0].last_seen_ns,
        onset_ns=min(loss.onset_ns for loss in ordered),
        back_ns=None if None in backs else max(back for back in backs if back is not None),
        steady_ns=None if None in steady else max(one for one in steady if one is not None),
        ran_on=ways.pop() if len(ways) == 1 else RanOn.UNKNOWN,
        p_restarted=None,
        losses=tuple(ordered),
        why=why,
    )


def taken_out(incidents: Iterable[Incident], spans: Sequence[LossSpan]) -> list[Incident]:
    """Give the incidents without these losses; one that has none left is gone."""
    gone = {(id(span.incident), span.key) for span in spans}
    touched = {id(span.incident) for span in spans}
    kept = []
    for incident in incidents:
        if id(incident) not in touched:
            kept.append(incident)
            continue
        rest = [
            LossSpan(loss=loss, incident=incident)
            for loss in incident.losses
            if (id(incident), (loss.controller, loss.last_seen_ns)) not in gone
        ]
        if rest:
            # what is left of a silent bus is a group of controllers
            kind = IncidentKind.DROPOUT if incident.kind is IncidentKind.BUS_SILENCE else incident.kind
            why = tuple(text for text in incident.why if not any(text.startswith(f"{s.key[0]}:") for s in spans))
            again = gathered(kind, rest, why)
            kept.append(replace(again, p_restarted=incident.p_restarted, channel=incident.channel))
    return kept
