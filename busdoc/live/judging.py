"""Judging: says again and again who is on the bus, which part is suspected, and what the traffic looks like.

Who is on the bus is judged a dozen times a second; which part it is only when something fell, came back or was done,
and once a second while nothing but time passes. The steps are those of the post-mortem (`busdoc.analysis.judgement`).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.analysis.judgement import Observed, Weighed, observe, weigh
from busdoc.analysis.postmortem import foreign_map
from busdoc.analysis.unheard import has_looks, unheard
from busdoc.errors import InputError
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.summary import Health
from busdoc.isolation.conclusion import State
from busdoc.isolation.proposals.proof import POWER_OFF_FIRST
from busdoc.isolation.suspects.failed_starts import STARTS_WITHIN_S
from busdoc.isolation.verdict import Because, IsolationVerdict, NextTest, Step
from busdoc.live.ending import all_back_steps, dead_controller_tests, with_all_back
from busdoc.live.event_log import EventLog
from busdoc.live.listening import Listening
from busdoc.live.power import PowerSaid, PowerWatch
from busdoc.live.procedure import Procedure
from busdoc.live.rows import losses_by_controller
from busdoc.live.view import Proposal
from busdoc.live.view_builder import plugged, proposed
from busdoc.machine.machine import Machine
from busdoc.session.folder import SessionFolder
from busdoc.session.logbook import Logbook
from busdoc.session.store import incident_bodies
from busdoc.symptoms.symptom import SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["Judging"]

_JUDGED_EVERY_S = 0.08
"""A little less than two ticks: a loss is shown at the second tick after its deadline at the latest."""
_WEIGHED_EVERY_S = 1.0
"""How often the verdict is asked anew while nothing happens but time."""
_JUDGED_PAUSE = 3.0
"""How many times as long as it took itself judging is let rest: a long session on a slow laptop stays answerable."""
_KNOWN_AFTER_NS = 3 * SECOND_NS
"""Whose machine it is can be told after so long: by then all that run have spoken (common practice)."""
_NOTHING = Weighed(because=(), verdict=IsolationVerdict(at_ns=0, trials=(), suspects=(), next_tests=()))


class Judging:
    """What is judged of what was heard and done.

    Parameters
    ----------
    listening : what was heard
    machine : the map, empty when there is none
    log : what was done
    procedure : follows what is proposed and what fell
    event_log : is told what happened
    folder : where incidents are kept; None: nowhere
    clock_s : a clock that only goes on, s

    Attributes
    ----------
    power : what the traffic says of it, as of the last look
    proposals : what the traffic looks as if it had been done, and no press says
    asked : the symptom that is isolated, as `--symptom` names it; None: what stands out
    trouble : what the journal could not keep; empty when nothing
    foreign : why the map seems to be another machine's, so that none of it is used; empty when it does not
    revision : counts up whenever anything of it may have changed
    """

    def __init__(
        self,
        listening: Listening,
        machine: Machine,
        log: Logbook,
        procedure: Procedure,
        event_log: EventLog,
        folder: SessionFolder | None,
        clock_s: Callable[[], float],
    ) -> None:
        self._listening, self._machine, self._log = listening, machine, log
        self._procedure, self._event_log, self._folder = procedure, event_log, folder
        self._clock_s = clock_s
        self.proposals: tuple[Proposal, ...] = ()
        self.asked = listening.asked
        self.trouble = ""
        self.foreign = ""
        self.revision = 0
        self.power = PowerSaid()
        self._power = PowerWatch(machine)
        self._observed: Observed | None = None
        self._weighed = _NOTHING
        self._judged_s = self._weighed_s = -math.inf
        self._every_s = _JUDGED_EVERY_S
        self._to_the_end = False
        self._weighed_for: object = None
        """What the verdict was given for; None: it must be given anew."""
        self._failed_starts: set[int] = set()
        """Numbers of the actions that gave power, after which a controller stayed down."""
        self._kept: dict[str, object] = {}

    def isolate(self, name: str | None) -> None:
        """Make another symptom the complaint, also for when the session is gone on with.

        Raises
        ------
        InputError : it could not be written down
        """
        if self._folder is not None:
            self._folder.keep_complaint(name)
        self.asked = name
        self.anew()

    @property
    def health(self) -> Health | None:
        """As judged last; None: nothing was heard yet."""
        return None if self._observed is None else self._observed.health

    @property
    def codes(self) -> tuple[FaultCode, ...]:
        """The fault codes so far."""
        return () if self._observed is None else self._observed.codes

    @property
    def because(self) -> tuple[Because, ...]:
        """Which action each incident of `health` answers to."""
        return self._weighed.because

    @property
    def verdict(self) -> IsolationVerdict:
        """As given last."""
        return self._weighed.verdict

    @property
    def weighed(self) -> Weighed:
        """All that was weighed last."""
        return self._weighed

    @property
    def _shown(self) -> set[int]:
        """When the complaint began to show each time, ns."""
        complaint = self._weighed.complaint
        return set() if complaint is None else {span.since_ns for span in complaint.spans}

    def is_due(self, now_s: float) -> bool:
        """Whether to judge now."""
        return now_s - self._judged_s >= self._every_s

    @property
    def is_complete(self) -> bool:
        """Whether all was judged where nothing more can come, and nothing was done since."""
        return self._to_the_end

    def anew(self) -> None:
        """Take note that something was done: judge at once, and weigh whatever the record says."""
        self._weighed_for = None
        self._judged_s = -math.inf
        self._to_the_end = False
        self.revision += 1

    def answered(self, key: str) -> None:
        """Drop a proposal at once, so that a second press before the next judgement does not answer it twice."""
        self.proposals = tuple(one for one in self.proposals if one.key != key)
        self.revision += 1

    def judge(self, now_s: float) -> None:
        """Judge what was heard so far; the longer it takes from `now_s` on, the longer it is let rest."""
        self.look()
        self._judged_s = now_s
        self._every_s = max(_JUDGED_EVERY_S, _JUDGED_PAUSE * (self._clock_s() - now_s))

    def judge_all(self) -> None:
        """Judge and weigh whatever was heard and done, where nothing more can come."""
        self._weighed_for = None
        self.look()
        self._to_the_end = True

    def look(self) -> None:
        """Judge, and weigh where something changed."""
        listening = self._listening
        until_ns = listening.heard_ns
        known = set() if self._observed is None else {_key(incident) for incident in self._observed.incidents}
        if listening.watches.start_ns is not None:
            health = listening.watches.so_far(until_ns, listening.open_gaps)
            observed = observe(listening.watches, health, self._log.numbered())
        elif has_looks(self._log.actions) or listening.without_a_bus:
            health = unheard(self._log.numbered(), listening.began_ns, until_ns)
            observed = Observed(health=health, codes=(), warnings=())
        else:
            return
        self._observed = observed
        heard_ns = until_ns - observed.health.start_ns
        self.foreign = (foreign_map(self._machine, observed.health) or "") if heard_ns >= _KNOWN_AFTER_NS else ""
        # Weigh when an incident or symptom began, ended or changed, when something was done, and now and then as time
        # passes.
        now_s = self._clock_s()
        state = (
            self._log.changes,
            self.foreign,
            tuple((*_key(incident), incident.back_ns) for incident in observed.incidents),
            tuple((code.controller, code.code, len(code.active_spans), code.active) for code in observed.codes),
            tuple((one.name, len(one.spans), one.showing) for one in observed.conditions),
        )
        if state != self._weighed_for or now_s - self._weighed_s >= _WEIGHED_EVERY_S:
            anew = state != self._weighed_for
            self._weighed_for, self._weighed_s = state, now_s
            self._weigh(observed, until_ns, anew=anew)
            self._follow(observed, known, until_ns)
        self._follow_power(until_ns)
        # Tell what became known, each thing once.
        self._event_log.losses(losses_by_controller(observed.incidents, self.because), until_ns)
        self._event_log.codes(observed.incidents, self._weighed.complaint)
        self._procedure.tick(until_ns)
        self.revision += 1

    def seen_cycle(self, feed: str | None) -> tuple[int, int] | None:
        """Give when a supply was off and on again lately, ns, if the traffic shows that and nobody wrote it down."""
        if self._observed is None:
            return None
        heard_ns = self._listening.heard_ns
        return self._power.seen_cycle(self._observed.health, self._log.actions, feed, heard_ns)

    def _follow_power(self, until_ns: int) -> None:
        """Hold what is logged of the power against the traffic; what is not heard now says nothing."""
        listening = self._listening
        if (
            self._observed is None
            or listening.without_a_bus
            or listening.open_gaps
            or listening.watches.start_ns is None
        ):
            self.power = PowerSaid()
            return
        actions = self._log.actions
        state = plugged(self._machine, actions)
        self.power = self._power.follow(self._observed.health, state, actions, self._procedure.step, until_ns)

    def _weigh(self, observed: Observed, until_ns: int, *, anew: bool) -> None:
        """Ask which action and which part it was, and what to do next."""
        actions = self._log.numbered()
        shown = self._shown
        self._weighed = weigh(self._machine, observed, actions, self.asked, patient=True, doubted=bool(self.foreign))
        if self.foreign:  # what another machine's map says is no evidence against any part, as in the post-mortem
            nobody = replace(self.verdict, suspects=(), next_tests=(), proving=())
            self._weighed = replace(self._weighed, verdict=nobody)
        for since_ns in sorted(self._shown - shown):
            self._procedure.fell(since_ns)
        complaint = self._weighed.complaint
        if complaint is not None and complaint.kind is not SymptomKind.SEEN:
            self._event_log.complaint(complaint)
        self._event_log.verdict(self.verdict)
        self._event_log.conclusion(self._weighed.conclusion, until_ns)
        self._procedure.propose(self._tests(observed, actions, until_ns), anew=anew)
        self._procedure.start_watch(until_ns)
        watches = self._listening.watches
        taught = any(action.kind is ActionKind.UNPLUG for action in actions)
        self.proposals = proposed(
            Machine() if self.foreign else self._machine,
            observed.health,
            watches.availability(),
            actions,
            turned=watches.turned() if taught else (),
            codes=observed.codes,
            refused=self._log.refused,
        )
        self._keep_incidents(observed)

    def _tests(self, observed: Observed, actions: tuple[Action, ...], until_ns: int) -> tuple[NextTest, ...]:
        """Give the tests of the verdict as they are done at the machine."""
        if self.foreign:
            return ()
        state, first = plugged(self._machine, actions), opening_state(self._machine, actions)
        tests = tuple(with_all_back(test, state, first) for test in self.verdict.next_tests)
        if self._weighed.conclusion.state is State.PROVED:
            back = all_back_steps(state, first)
            return tuple(test for test in tests if test.steps) if not back else (_put_back(back, state),)
        if tests and any(step for step in tests[0].steps):
            return tests
        # Nothing but a wait is proposed: it tells nothing of a controller that stays away although all has power.
        dead = self._dead(observed, actions, state, until_ns)
        ways = () if dead is None else dead_controller_tests(self._machine, state, actions, *dead)
        return (*ways, *tests)

    def _dead(
        self, observed: Observed, actions: Sequence[Action], state: PlugState, until_ns: int
    ) -> tuple[str, int] | None:
        """Give (a controller that stays away though it was given power anew, since when); None: none does."""
        given_ns = [a.time_ns for a in actions if a.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)]
        for incident, because in zip(observed.incidents, self.because, strict=True):
            if incident.kind is not IncidentKind.DROPOUT or because.expected:
                continue
            for loss in incident.losses:
                again = [t for t in given_ns if t > loss.last_seen_ns and until_ns - t > STARTS_WITHIN_S * SECOND_NS]
                if loss.back_ns is None and again and state.heard(loss.controller):
                    return loss.controller, loss.last_seen_ns
        return None

    def _follow(self, observed: Observed, known: set[tuple[object, ...]], until_ns: int) -> None:
        """Let the procedure know of what fell for no reason of its own."""
        for incident, because in zip(observed.incidents, self.because, strict=True):
            is_fall = incident.kind in (IncidentKind.DROPOUT, IncidentKind.RESTART)
            if is_fall and not because.expected and _key(incident) not in known:
                self._procedure.fell(incident.onset_ns)
        self._follow_start(observed, until_ns)

    def _follow_start(self, observed: Observed, until_ns: int) -> None:
        """Let the procedure know of a controller that did not start with the power: no watch will tell more."""
        last = next((a for a in reversed(self._log.numbered()) if a.kind not in REMARKS), None)
        if last is None or last.kind not in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE):
            return
        if last.n in self._failed_starts or until_ns < last.time_ns + STARTS_WITHIN_S * SECOND_NS:
            return
        still_down = {
            name
            for incident, because in zip(observed.incidents, self.because, strict=True)
            if incident.kind is IncidentKind.DROPOUT and incident.back_ns is None and not because.expected
            for name in incident.controllers
            if last.part is None or (name in self._machine and last.part in self._machine.above(name))
        }
        if still_down:
            self._failed_starts.add(last.n)
            self._procedure.fell(until_ns)

    def _keep_incidents(self, observed: Observed) -> None:
        """Write down what changed of the incidents since they were written last."""
        if self._folder is None:
            return
        bodies = incident_bodies(observed.incidents, self.because)
        changed = {key: body for key, body in bodies.items() if self._kept.get(key) != body}
        gone = [key for key in self._kept if key not in bodies]
        if not changed and not gone:
            return
        try:
            self._folder.store.keep_incidents(changed, gone)
        except InputError as error:
            self.trouble = f"the journal: {error}"
            return
        self.trouble = ""
        self._kept = dict(bodies)


def _put_back(steps: tuple[Step, ...], state: PlugState) -> NextTest:
    """Ask for what is out still, once the job is done; with the power off, as whatever is moved."""
    off, on = (Step(action=kind, part=None) for kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON))
    around = (off, *steps, on) if state.main_on else (*steps, on)
    tells = "The repair is proved: what is out still goes back, and the machine is done."
    return NextTest(
        steps=around,
        watch_ns=0,
        gain_bits=0.0,
        effort_s=60.0,
        tells=tells,
        cautions=(*state.machine.cautions, POWER_OFF_FIRST),
    )


def _key(incident: Incident) -> tuple[object, ...]:
    """Give what stays of an incident while it goes on."""
    return (incident.kind, incident.last_seen_ns, incident.controllers)
