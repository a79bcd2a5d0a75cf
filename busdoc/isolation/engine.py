"""One isolation session: actions and incidents as they come, the verdict at any time.

The recorded case hands everything over at once (`isolate`); the live case goes on for hours (`IsolationSession`).
Both end in the same findings.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.actions.action import Action
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.proposals.cure import tests_after_repair
from busdoc.isolation.proposals.next_tests import propose_tests
from busdoc.isolation.suspects.attribution import attribute_incidents, awaits_its_press, taken_away
from busdoc.isolation.suspects.exposure import Reach, find_reach, with_controllers
from busdoc.isolation.suspects.findings import Findings, work_through
from busdoc.isolation.suspects.losses import gather_losses, losses_of, silent_at_first
from busdoc.isolation.suspects.reasons import elsewhere_reasons, reasons_for
from busdoc.isolation.suspects.trials import cut_trials
from busdoc.isolation.verdict import ELSEWHERE, Because, IsolationVerdict, Suspect
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["CLEARED_AT", "IsolationSession", "isolate"]

CLEARED_AT = 0.05
"""A part is called clear at this probability or less, and only when its own quiet was as unlikely for a culprit.
Common practice: 95 % sure."""
_AFTER_UNPLUG_NS = 5 * SECOND_NS
"""A code raised this soon after something was unplugged speaks of the open circuit, not of the fault (common practice:
an open circuit is coded within seconds)."""


class IsolationSession:
    """What was done and seen so far.

    Parameters
    ----------
    machine : the map; may be empty
    start_ns : since when the bus is watched
    """

    def __init__(self, machine: Machine, *, start_ns: int) -> None:
        self._machine = machine
        self._start_ns = start_ns
        self._actions: dict[int, Action] = {}
        self._seen: dict[tuple[str, int, str], tuple[Incident, Because | None]] = {}
        self._absent: dict[tuple[str, int], int | None] = {}
        self._codes: dict[tuple[str, str], FaultCode] = {}
        self._reach: tuple[tuple[Action, ...], tuple[str, ...], Machine, Reach] | None = None

    @property
    def actions(self) -> tuple[Action, ...]:
        """What was done, ascending by time."""
        return tuple(sorted(self._actions.values(), key=lambda a: (a.time_ns, a.n)))

    def act(self, action: Action) -> None:
        """Take an action; one with a number that is known already takes the place of that one."""
        self._actions[action.n] = action

    def undo(self, n: int) -> None:
        """Take an action back: it was never done.

        Raises
        ------
        KeyError : when there is no action with this number
        """
        del self._actions[n]

    def retime(self, n: int, time_ns: int, uncertainty_ns: int | None = None) -> None:
        """Correct when an action was done.

        Raises
        ------
        KeyError : when there is no action with this number
        """
        old = self._actions[n]
        spread = old.uncertainty_ns if uncertainty_ns is None else uncertainty_ns
        self._actions[n] = replace(old, time_ns=time_ns, uncertainty_ns=spread)

    def saw(self, incident: Incident, because: Because | None = None) -> None:
        """Take an incident, or what has become of one: known by its kind, its last frame and its controller.

        Parameters
        ----------
        incident : with `back_ns` None while it goes on
        because : which action it answers; None: the session judges by itself
        """
        first = incident.controllers[0] if incident.controllers else ""
        self._seen[incident.kind.value, incident.last_seen_ns, first] = (incident, because)

    def away(self, controller: str, from_ns: int, to_ns: int | None) -> None:
        """Take it that a controller was not on the bus: from the start, say, before it was ever seen."""
        self._absent[controller, from_ns] = to_ns

    def hint(self, code: FaultCode) -> None:
        """Take a fault code, or its latest state."""
        self._codes[code.controller, code.code] = code

    def because(self, at_ns: int) -> tuple[tuple[Incident, Because], ...]:
        """Attribute everything seen so far, ascending by time."""
        incidents = self._incidents()
        span_s = max((at_ns - self._start_ns) / SECOND_NS, 1.0)
        found = attribute_incidents(
            incidents, self.actions, self._machine, start_ns=self._start_ns, span_s=span_s, absent=self._absences()
        )
        return tuple(zip(incidents, found, strict=True))

    def findings(self, at_ns: int) -> Findings:
        """Work the record through up to an instant."""
        actions = tuple(a for a in self.actions if a.time_ns <= at_ns + 3 * a.uncertainty_ns)
        incidents = self._incidents()
        span_s = max((at_ns - self._start_ns) / SECOND_NS, 1.0)
        machine, reach = self._reach_of(actions, incidents)
        losses = gather_losses(incidents, reach.controllers, self._start_ns, self._absences())
        taken, offset_s = taken_away(losses, reach, actions, self._start_ns, span_s)
        told = [self._told(incidents[k]) for k in losses.incident]
        expected = [taken[row].sum() > 0.5 if because is None else because.expected for row, because in enumerate(told)]
        expected = [one or awaits_its_press(losses, row, actions, span_s) for row, one in enumerate(expected)]
        return work_through(
            machine,
            reach,
            losses,
            [row for row, explained in enumerate(expected) if not explained],
            actions,
            codes=self._hints(actions),
            start_ns=self._start_ns,
            span_s=span_s,
            offset_s=offset_s,
        )

    def verdict(self, at_ns: int) -> IsolationVerdict:
        """Answer at an instant: trials, suspects highest first, and what to do next."""
        findings = self.findings(at_ns)
        if not findings.reach.parts:
            return IsolationVerdict(at_ns=at_ns, trials=(), suspects=(), next_tests=())
        incidents = self._incidents()
        down = {loss.controller for incident in incidents for loss in losses_of(incident) if loss.back_ns is None}
        repaired = tests_after_repair(findings)
        return IsolationVerdict(
            at_ns=at_ns,
            trials=cut_trials(findings),
            suspects=_suspects(findings, self._hints(findings.actions)),
            next_tests=propose_tests(findings, tuple(down)) if repaired is None else repaired,
        )

    def _incidents(self) -> list[Incident]:
        return sorted((incident for incident, _ in self._seen.values()), key=lambda i: (i.last_seen_ns, i.controllers))

    def _told(self, incident: Incident) -> Because | None:
        first = incident.controllers[0] if incident.controllers else ""
        return self._seen[incident.kind.value, incident.last_seen_ns, first][1]

    def _absences(self) -> tuple[tuple[str, int, int | None], ...]:
        return tuple((name, from_ns, to_ns) for (name, from_ns), to_ns in self._absent.items())

    def _hints(self, actions: Sequence[Action]) -> tuple[FaultCode, ...]:
        """Keep the codes that say where to look, and were not made by pulling a plug."""
        pulled = [a.time_ns for a in actions if a.kind.value in ("unplug", "swap", "replace", "power-off")]
        return tuple(
            code
            for code in self._codes.values()
            if code.points_at and not any(-2e9 <= code.first_ns - t <= _AFTER_UNPLUG_NS for t in pulled)
        )

    def _reach_of(self, actions: tuple[Action, ...], incidents: Sequence[Incident]) -> tuple[Machine, Reach]:
        """Replay the actions, unless they are the same as last time."""
        names = tuple(dict.fromkeys([n for i in incidents for n in i.controllers] + [name for name, _ in self._absent]))
        if self._reach is None or self._reach[:2] != (actions, names):
            machine = with_controllers(self._machine, names)
            self._reach = (actions, names, machine, find_reach(machine, actions))
        return self._reach[2], self._reach[3]


def isolate(
    health: Health,
    actions: Sequence[Action],
    machine: Machine,
    because: Sequence[Because],
    codes: Sequence[FaultCode] = (),
) -> IsolationVerdict:
    """Give the verdict on a recording.

    Parameters
    ----------
    health : of the capture
    actions : in any order
    machine : the map; may be empty
    because : of `busdoc.isolation.suspects.attribution.attribute`, one for each incident
    codes : fault codes of the capture, with their hints

    Returns
    -------
    The verdict at the end of the capture; without suspects and tests when there was neither trouble nor a trial
    """
    session = IsolationSession(_with_those_seen(machine, health), start_ns=health.start_ns)
    for action in actions:
        session.act(action)
    for incident, reason in zip(health.incidents, because, strict=True):
        session.saw(incident, reason)
    for code in codes:
        session.hint(code)
    for name, from_ns, to_ns in silent_at_first(health):
        session.away(name, from_ns, to_ns)
    verdict = session.verdict(health.until_ns)
    troubled = any(trial.shown_after_ns is not None for trial in verdict.trials)
    troubled = troubled or bool(session.findings(health.until_ns).evidence.starts.action)
    return verdict if troubled else replace(verdict, suspects=(), next_tests=())


def _with_those_seen(machine: Machine, health: Health) -> Machine:
    """Where the map names no controller, take those that were heard."""
    if machine.controllers:
        return machine
    return with_controllers(machine, [c.name for c in health.controllers if c.first_ns is not None])


def _suspects(findings: Findings, codes: tuple[FaultCode, ...]) -> tuple[Suspect, ...]:
    posterior = findings.posterior
    found: list[Suspect] = []
    for p in range(len(findings.reach.parts)):
        probability = float(posterior.marginal[p])
        cleared = bool(len(findings.unexplained) and probability <= CLEARED_AT and posterior.earned[p] <= CLEARED_AT)
        found.append(
            Suspect(
                part=findings.reach.parts[p],
                probability=probability,
                cleared=cleared,
                why=reasons_for(findings, p, cleared=cleared, codes=codes),
            )
        )
    found.append(
        Suspect(part=ELSEWHERE, probability=posterior.elsewhere, cleared=False, why=elsewhere_reasons(findings))
    )
    return tuple(sorted(found, key=lambda suspect: -suspect.probability))
