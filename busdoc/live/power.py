"""Power as it is logged, held against the traffic: what it shows as done, what it contradicts, and a silence of all.

Takes what is judged of the traffic, what is logged, and the step that is asked for; says what follows. Nothing is
logged here. The traffic is believed: a controller that sends has power, whatever was pressed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.actions.action import OWN_LEAD_IN, OWN_LEAD_OUT, POWER_KINDS, Action, ActionKind, Origin
from busdoc.actions.plugged import PlugState
from busdoc.actions.words import THE_MACHINE
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.verdict import Step
from busdoc.live.view import SilenceRow
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS
from busdoc.words.counting import listed

__all__ = ["PowerSaid", "PowerWatch", "already_shown"]

_OUT_NS = 1_200_000_000
"""Controllers live on their capacitors for 0.6 s (common practice); who sends this long after the switch has power."""
_ASKED_NS = 2 * SECOND_NS
_UNSURE_NS = 600_000_000
"""A silence of everybody for so long accuses nobody any more, though it is not asked about yet."""
_BEGINS_NS = 120_000_000
"""Nobody at all for so long as one is found lost: others may be, whose deadlines are longer (common practice: something
is sent every few ms on a machine's bus)."""
_WITH_IT_NS = SECOND_NS
"""Who fell silent within this time of the last frame of all went with it, a slow message or a capacitor apart."""
_BOOTS_NS = SECOND_NS
"""From the switch to the first frame, at least for the quickest (common practice: one to ten seconds)."""
_LOOKED_BACK_NS = 90 * SECOND_NS
_SAME_ACT_NS = 120 * SECOND_NS
"""A press so soon after the traffic has shown its act means that act (common practice: off for ten seconds to a minute,
and the way back to the screen)."""
_MOST_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSaid:
    """What the traffic says of the power."""

    done: tuple[ActionKind, str | None, int] | None = None
    """(what, feed, ns): the traffic shows that this was done."""
    strike: int | None = None
    """`Action.n` of a press that the traffic contradicts from the beginning."""
    alarm: str = ""
    """Why hands are in danger; empty: they are not."""
    silence: SilenceRow | None = None


class PowerWatch:
    """Follows the power of a machine.

    Parameters
    ----------
    machine : the map; may be empty
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._step: Step | None = None
        self._step_since_ns = 0

    def follow(
        self, health: Health, state: PlugState, actions: Sequence[Action], step: Step | None, now_ns: int
    ) -> PowerSaid:
        """Hold what is logged against what is heard.

        Parameters
        ----------
        health : as judged now
        state : of the plugs and switches, as logged
        actions : as logged, ascending by time
        step : what is asked for
        """
        if step != self._step:
            self._step, self._step_since_ns = step, now_ns
        last_ns = {one.name: one.last_ns for one in health.controllers if one.last_ns is not None}
        silence = _silence(health, state, actions, last_ns, now_ns)
        if step is not None and step.action is ActionKind.POWER_OFF:
            off_ns = self._off_since(health, state, last_ns, step.part, now_ns)
            if off_ns is not None:
                return PowerSaid(done=(ActionKind.POWER_OFF, step.part, off_ns))
        for action in reversed(actions):
            if action.kind is not ActionKind.POWER_OFF or not _holds(action, state):
                continue
            heard = [
                name
                for name in self._fed_by(action.part, last_ns)
                if last_ns[name] > action.time_ns + _OUT_NS and now_ns - last_ns[name] < _OUT_NS
            ]
            if heard:
                return self._contradicted(health, action, heard, last_ns, step, silence)
        return PowerSaid(silence=silence)

    def seen_cycle(
        self, health: Health, actions: Sequence[Action], feed: str | None, now_ns: int
    ) -> tuple[int, int] | None:
        """Give when a supply was off and on again lately, ns, if the traffic shows that and nobody wrote it down."""
        last_ns = {one.name: one.last_ns for one in health.controllers if one.last_ns is not None}
        fed = set(self._fed_by(feed, last_ns))
        logged = max((action.time_ns for action in actions if action.kind in POWER_KINDS), default=now_ns - 2**62)
        for incident in reversed(health.incidents):
            names = set(incident.controllers) & fed
            alone = not set(incident.controllers) - fed
            if incident.kind not in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE, IncidentKind.POWER_CYCLE):
                continue
            if incident.back_ns is None or incident.onset_ns < now_ns - _LOOKED_BACK_NS or not alone:
                continue
            if names and len(names) * 2 >= len(fed) and incident.onset_ns > logged:
                return incident.last_seen_ns, max(incident.last_seen_ns + 1, incident.back_ns - _BOOTS_NS)
        return None

    def _fed_by(self, feed: str | None, last_ns: dict[str, int]) -> list[str]:
        return [
            name for name in last_ns if feed is None or (name in self._machine and feed in self._machine.above(name))
        ]

    def _off_since(
        self, health: Health, state: PlugState, last_ns: dict[str, int], feed: str | None, now_ns: int
    ) -> int | None:
        """Say when a supply went off; None: it is on, or nobody who could tell was heard when it was asked for."""
        known = [
            name
            for name in self._fed_by(feed, last_ns)
            if state.heard(name) and last_ns[name] > self._step_since_ns - SECOND_NS
        ]
        if not known or any(now_ns - last_ns[name] < _OUT_NS for name in known):
            return None
        lost = {one.name for one in health.controllers if _is_away(one, health)}
        fell_ns = sorted(last_ns[name] for name in known if name in lost)
        return fell_ns[len(fell_ns) // 2] if fell_ns else None

    def _contradicted(
        self,
        health: Health,
        action: Action,
        heard: list[str],
        last_ns: dict[str, int],
        step: Step | None,
        silence: SilenceRow | None,
    ) -> PowerSaid:
        """Say what follows from controllers that are heard though their supply was logged off."""
        back_ns = [
            loss.back_ns
            for incident in health.incidents
            for loss in incident.losses
            if loss.controller in heard and loss.back_ns is not None and loss.back_ns > action.time_ns
            and loss.last_seen_ns < action.time_ns + _OUT_NS
        ]  # fmt: skip
        if not back_ns:
            return PowerSaid(strike=action.n, alarm=_alarm(action, heard, health), silence=silence)
        on_ns = max(action.time_ns + 1, min(back_ns) - _BOOTS_NS)
        asked = step is not None and step.action is ActionKind.POWER_ON and step.part == action.part
        alarm = "" if asked else _alarm(action, heard, health)
        return PowerSaid(done=(ActionKind.POWER_ON, action.part, on_ns), alarm=alarm, silence=silence)


def already_shown(actions: Sequence[Action], kind: ActionKind, part: str | None, now_ns: int) -> Action | None:
    """Give the act that the traffic has shown, and that was logged by it, which a press now means; None: there is none.

    Parameters
    ----------
    actions : as logged, ascending by time
    kind, part : what is pressed
    now_ns : when

    Returns
    -------
    Of a power cycle the last of its two stages that is done
    """
    last = next((one for one in reversed(actions) if one.kind in POWER_KINDS and one.part == part), None)
    if last is None or last.origin is not Origin.BUS or now_ns - last.time_ns > _SAME_ACT_NS:
        return None
    if kind is not ActionKind.POWER_CYCLE:
        return last if last.kind is kind else None
    before = [one for one in actions if one.kind in POWER_KINDS and one.part == part and one.n != last.n]
    began = last.kind is ActionKind.POWER_OFF or (bool(before) and before[-1].kind is ActionKind.POWER_OFF)
    return last if began else None


def _holds(action: Action, state: PlugState) -> bool:
    return not state.main_on if action.part is None else action.part in state.switched_off


def _is_away(controller: ControllerHealth, health: Health) -> bool:
    """Whether it is missed now; one that restarts over and over, or was switched on and off a few times, too."""
    if controller.state in (ControllerState.LOST, ControllerState.OFF):
        return True
    return bool(controller.absences) and controller.absences[-1][1] >= health.until_ns


def _alarm(action: Action, heard: list[str], health: Health) -> str:
    known = [one.name for one in health.controllers if one.name in heard]
    what = (action.part or THE_MACHINE).upper()
    return f"{what} IS ON: frames from {listed(known, _MOST_NAMES)}. Hands out"


def _silence(
    health: Health, state: PlugState, actions: Sequence[Action], last_ns: dict[str, int], now_ns: int
) -> SilenceRow | None:
    """Say since when nobody is heard though nothing says why; None: somebody is, or it is known why."""
    expected = [name for name in last_ns if state.heard(name)]
    since_ns = max((last_ns[name] for name in expected), default=now_ns)
    answered = any(
        (action.kind is ActionKind.MARK and action.note in (OWN_LEAD_IN, OWN_LEAD_OUT) and action.time_ns >= since_ns)
        for action in actions
    )
    if expected and not answered and now_ns - since_ns >= _UNSURE_NS:
        fell = [name for name in expected if last_ns[name] > since_ns - 3 * SECOND_NS]
        if len(fell) > 1 or len(fell) == len(expected):
            return SilenceRow(since_ns=since_ns, ended_ns=None, asked=now_ns - since_ns >= _ASKED_NS)
    # As long as nobody else is heard, the first that is missed may be the first of all, and not the one at fault.
    lost = [one.last_ns for one in health.controllers if one.name in expected and _is_away(one, health)]
    begins = len(expected) > 1 and now_ns - since_ns >= _BEGINS_NS
    if begins and not answered and any(t_ns is not None and t_ns > since_ns - _WITH_IT_NS for t_ns in lost):
        return SilenceRow(since_ns=since_ns, ended_ns=None, asked=False)
    return _returned(health, actions, now_ns)


def _returned(health: Health, actions: Sequence[Action], now_ns: int) -> SilenceRow | None:
    """Give a silence of everybody that is over, everybody having run on, and that nobody has said anything of."""
    for incident in reversed(health.incidents):
        if incident.kind is IncidentKind.BUS_SILENCE and incident.back_ns is not None:
            said = any(
                action.time_ns >= incident.last_seen_ns and (action.note in (OWN_LEAD_IN, OWN_LEAD_OUT))
                for action in actions
            ) or any(abs(a.time_ns - incident.last_seen_ns) < 3 * SECOND_NS for a in actions if a.kind in POWER_KINDS)
            if said or incident.ran_on is not RanOn.KEPT_RUNNING or now_ns - incident.back_ns > _LOOKED_BACK_NS:
                return None
            return SilenceRow(since_ns=incident.last_seen_ns, ended_ns=incident.back_ns, asked=True)
    return None
