"""Dropouts and restarts as symptoms: one kind among the others, for whoever lists what showed."""

from busdoc.health.incident import IncidentKind, Loss
from busdoc.health.summary import Health
from busdoc.symptoms.spans import without
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind

__all__ = ["loss_symptoms"]

_KINDS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE)


def loss_symptoms(health: Health, expected: frozenset[int]) -> tuple[Symptom, ...]:
    """Give one symptom for each controller that fell although no action explains it.

    Parameters
    ----------
    health : its incidents list who fell
    expected : places among `health.incidents` of those that an action explains
    """
    of_controller: dict[str, list[Loss]] = {}
    for k, incident in enumerate(health.incidents):
        if incident.kind in _KINDS and k not in expected:
            for loss in incident.losses:
                of_controller.setdefault(loss.controller, []).append(loss)
    gaps = [(gap.from_ns, gap.to_ns) for gap in health.gaps if gap.channel is None]
    explained = [
        (loss.controller, loss.last_seen_ns, health.until_ns if loss.back_ns is None else loss.back_ns)
        for k in expected
        for loss in health.incidents[k].losses
    ]
    found = []
    for name, losses in of_controller.items():
        blind = [*gaps, *[(from_ns, to_ns) for who, from_ns, to_ns in explained if who == name]]
        found.append(
            Symptom(
                kind=SymptomKind.DROPOUT,
                name=f"dropout:{name}",
                text=f"{name} falls off the bus or starts anew",
                controller=name,
                spans=tuple(_span(loss) for loss in sorted(losses, key=lambda one: one.last_seen_ns)),
                observable=without((health.start_ns, health.until_ns), blind),
                latency_ns=max((loss.onset_ns - loss.last_seen_ns for loss in losses), default=0),
            )
        )
    return tuple(found)


def _span(loss: Loss) -> ShowingSpan:
    return ShowingSpan(
        since_ns=loss.onset_ns, not_yet_ns=loss.last_seen_ns, still_ns=loss.onset_ns, gone_ns=loss.back_ns
    )
