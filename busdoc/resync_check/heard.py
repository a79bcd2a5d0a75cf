"""Heard: all that a capture holds of how controllers came and went, as the following of returns needs it."""

from collections.abc import Mapping, Sequence

from busdoc.decode.protocols.sign import Sign
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import StreamKey
from busdoc.health.incident import Gap, GapKind, Incident, IncidentKind, Loss, RanOn
from busdoc.health.streams.arrivals import StreamArrivals
from busdoc.resync_check.records import PowerUp
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

    def gone_ns(self, power_up: PowerUp) -> dict[str, int]:
        """Give the last frame of each controller when half of them or more left for good: power went off again.

        For good means to the end of the capture, or until the power-up was over; there they leave one soon after the
        other. Who fell well before the rest was switched off fell by itself.
        """
        for_good: dict[str, int] = {}
        until_over: dict[str, int] = {}
        for loss in self.losses:
            if loss.controller not in power_up.controllers or self._was_left_behind(loss):
                continue
            if loss.back_ns is None:
                for_good[loss.controller] = loss.last_seen_ns
            elif loss.last_seen_ns <= power_up.until_ns <= loss.back_ns:
                until_over[loss.controller] = loss.last_seen_ns
        for gone in (for_good, _the_last_in_turn(until_over)):
            if len(gone) > 1 and 2 * len(gone) >= len(power_up.controllers):
                return {**self._woken(gone, power_up), **gone}
        return {}

    def cranked_ns(
        self, name: str, zero_ns: int, first_ns: int, steady_ns: int | None, power_up: PowerUp
    ) -> int | None:
        """Give when the engine's start let go of a controller; None: no start came between.

        Of several, the last before it was in step. One that was first heard after the starter had begun to take others
        away, and with them, had been held by it.

        Parameters
        ----------
        zero_ns, first_ns, steady_ns : the first frame of all, its own first frame, and when it was in step
        """
        backs = [
            (loss.controller, loss.last_seen_ns, loss.back_ns)
            for loss in self.cranked
            if loss.back_ns is not None and zero_ns <= loss.last_seen_ns and loss.back_ns < power_up.until_ns
        ]
        own = [back_ns for controller, _, back_ns in backs if controller == name]
        before = [back_ns for back_ns in own if steady_ns is None or back_ns <= steady_ns]
        held = any(low_ns < first_ns <= back_ns + _HELD_NS for _, low_ns, back_ns in backs)
        return max(before, default=first_ns if held else max(own, default=None))

    def _woken(self, gone: Mapping[str, int], power_up: PowerUp) -> dict[str, int]:
        """Give the last frame of those that left with the others and were heard again: they woke with the machine off.

        A controller that is woken by its clock, a door or a charger speaks for a while (common practice).
        """
        return {
            loss.controller: loss.last_seen_ns
            for loss in self.losses
            if loss.controller in power_up.controllers
            and loss.back_ns is not None
            and any(abs(loss.last_seen_ns - t_ns) <= _IN_TURN_NS for t_ns in gone.values())
        }

    def _was_left_behind(self, loss: Loss) -> bool:
        """Tell whether as many came back without a controller, of those that fell with it, as stayed away.

        Then nobody switched it off.
        """
        back, away = set(), {loss.controller}
        for other in (*self.losses, *self.cranked):
            if abs(other.last_seen_ns - loss.last_seen_ns) > _FELL_TOGETHER_NS or other.controller == loss.controller:
                continue
            came = other.back_ns is not None and other.back_ns > loss.last_seen_ns
            if came and (loss.back_ns is None or (other.back_ns or 0) < loss.back_ns - _BACK_TOGETHER_NS):
                back.add(other.controller)
            elif not came:
                away.add(other.controller)
        return len(back) >= len(away)


def _the_last_in_turn(gone: Mapping[str, int]) -> dict[str, int]:
    """Keep those that left one soon after the other, up to the last of them."""
    kept: dict[str, int] = {}
    after_ns: int | None = None
    for name, t_ns in sorted(gone.items(), key=lambda one: -one[1]):
        if after_ns is not None and after_ns - t_ns > _IN_TURN_NS:
            break
        kept[name] = after_ns = t_ns
    return kept


_FELL_TOGETHER_NS = SECOND_NS
_HELD_NS = 2 * SECOND_NS
"""Whom the starter held speaks so soon after the others are back (common practice: its own start)."""
_BACK_TOGETHER_NS = 10 * SECOND_NS
_IN_TURN_NS = 2 * SECOND_NS
"""Between one controller and the next when a machine is switched off: they let go each in its own time."""
