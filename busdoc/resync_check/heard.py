"""Heard: all that a capture holds of how controllers came and went, as the following of returns needs it."""

from collections.abc import Mapping, Sequence

from busdoc.decode.protocols.sign import Sign
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import StreamKey
from busdoc.health.incident import Gap, GapKind, Incident, IncidentKind, Loss, RanOn
from busdoc.health.streams.arrivals import StreamArrivals
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

__all__ = ["Heard"]


class Heard:
    """All that was heard in the capture, as the following of returns needs it."""

    def __init__(
        self,
        arrivals: Mapping[StreamKey, StreamArrivals],
        signs: Sequence[Sign],
        incidents: Sequence[Incident],
        codes: Sequence[FaultCode],
        gaps: Sequence[Gap] = (),
        symptoms: Sequence[Symptom] = (),
    ) -> None:
        self.arrivals = arrivals
        self.signs = signs
        self.codes = codes
        self.symptoms = symptoms
        """Conditions on signals, and what was asked for of a bus: codes stand apart."""
        self.gaps = [gap for gap in gaps if gap.kind is GapKind.CAPTURE_GAP]
        """What the recorder itself did not hear."""
        self.losses = [
            loss
            for incident in incidents
            if incident.kind in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)
            for loss in incident.losses
        ]
        self.unheard = [
            loss
            for incident in incidents
            for loss in incident.losses
            if loss.ran_on is RanOn.KEPT_RUNNING
            or (incident.kind is IncidentKind.BUS_SILENCE and loss.ran_on is not RanOn.RESTARTED)
        ]
        """Silences in which the controller kept running, or that were the whole bus's."""
        self.cranked = [
            loss for incident in incidents if incident.kind is IncidentKind.CRANK for loss in incident.losses
        ]
        """What the starter took away for a moment: no restart that anybody need answer for."""
        self.restarts = [
            (name, incident.onset_ns)
            for incident in incidents
            if incident.kind is IncidentKind.RESTART
            for name in incident.controllers
        ]

    def gone_ns(self, names: Sequence[str]) -> dict[str, int]:
        """Give the last frame of each controller when half of them or more went for good: power went off again."""
        gone = {
            loss.controller: loss.last_seen_ns
            for loss in self.losses
            if loss.back_ns is None and not self._was_left_behind(loss)
        }
        of_these = {name: gone[name] for name in names if name in gone}
        return of_these if len(of_these) > 1 and 2 * len(of_these) >= len(names) else {}

    def _was_left_behind(self, loss: Loss) -> bool:
        """Tell whether others fell with a controller and came back without it: nobody switched it off."""
        return any(
            other.controller != loss.controller
            and other.back_ns is not None
            and other.back_ns > loss.last_seen_ns
            and abs(other.last_seen_ns - loss.last_seen_ns) <= _FELL_TOGETHER_NS
            for other in (*self.losses, *self.cranked)
        )


_FELL_TOGETHER_NS = SECOND_NS
