"""Records by hand for the isolation tests: a street sweeper's hopper controller, its branches, actions and dropouts."""

from types import MappingProxyType

from busdoc.actions.action import Action, ActionKind
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.engine import Record, verdict_on, work_out
from busdoc.isolation.suspects.attribution import attribute_incidents
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.verdict import IsolationVerdict
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.machine.machine import Controller, Machine, Part, PartKind

__all__ = ["BRANCHES", "NS", "ON_IT", "HandRecord", "action", "dropout", "health", "plug", "sweeper", "unplug"]

NS = 1_000_000_000
BRANCHES = ("harness-A", "harness-B", "harness-C", "harness-D")
ON_IT = {"harness-A": "gate-angle", "harness-B": "tilt-angle", "harness-C": "fill-level", "harness-D": "tilt-valve"}


def sweeper(
    *, latches: bool | None = None, unsafe: tuple[str, ...] = (), like: bool = False, live: bool = True
) -> Machine:
    """Three fuses, two segments; hopper, fan and lift on fuse-3 and the rear trunk; four branches on the hopper.

    Parameters
    ----------
    latches : of the hopper
    unsafe : parts that are never to be moved with power on
    like : harness A and B have the same plugs
    live : the maker lets the others be moved with power on
    """
    parts = [Part(name="battery", kind=PartKind.FEED)]
    parts += [Part(name=f"fuse-{k}", kind=PartKind.FEED, owner="battery") for k in (1, 2, 3)]
    parts += [
        Part(name="front-trunk", kind=PartKind.SEGMENT),
        Part(name="rear-trunk", kind=PartKind.SEGMENT, owner="front-trunk"),
    ]
    swaps = {"harness-A": ("harness-B",), "harness-B": ("harness-A",)} if like else {}
    for branch, socket in zip(BRANCHES, "ABCD", strict=True):
        kind = PartKind.ACTUATOR if branch == "harness-D" else PartKind.SENSOR
        swaps_with = swaps.get(branch, ())
        parts.append(
            Part(
                name=branch, kind=PartKind.HARNESS, owner="hopper", socket=socket, swaps_with=swaps_with, safe_live=live
            )
        )
        never = ON_IT[branch] in unsafe
        parts.append(Part(name=ON_IT[branch], kind=kind, owner=branch, unsafe_live=never, safe_live=live and not never))
    places = {
        "engine": ("fuse-1", "front-trunk"),
        "display": ("fuse-1", "front-trunk"),
        "broom": ("fuse-2", "front-trunk"),
        "hopper": ("fuse-3", "rear-trunk"),
        "fan": ("fuse-3", "rear-trunk"),
        "lift": ("fuse-3", "rear-trunk"),
    }
    controllers = {
        name: Controller(
            spec=ControllerSpec(name=name, latches=latches if name == "hopper" else None), feed=feed, segment=segment
        )
        for name, (feed, segment) in places.items()
    }
    return Machine(
        name="Street sweeper",
        cautions=("Prop the hopper before working under it.",),
        parts=MappingProxyType({part.name: part for part in parts}),
        controllers=MappingProxyType(controllers),
    )


def action(n: int, at_s: float, kind: ActionKind, part: str | None = None, into: str | None = None) -> Action:
    return Action(n=n, time_ns=round(at_s * NS), uncertainty_ns=NS, kind=kind, part=part, into=into)


def plug(n: int, at_s: float, part: str) -> Action:
    return action(n, at_s, ActionKind.PLUG, part)


def unplug(n: int, at_s: float, part: str) -> Action:
    return action(n, at_s, ActionKind.UNPLUG, part)


def dropout(
    at_s: float, back_s: float | None, *names: str, p_restarted: float | None = 0.97, everyone: bool = False
) -> Incident:
    """Let controllers fall at the same time and come back at the same time."""
    last_ns, back_ns = round(at_s * NS), None if back_s is None else round(back_s * NS)
    ran_on = RanOn.UNKNOWN
    if p_restarted is not None and back_ns is not None:
        ran_on = RanOn.RESTARTED if p_restarted > 0.5 else RanOn.KEPT_RUNNING
    losses = tuple(
        Loss(
            controller=name,
            last_seen_ns=last_ns,
            onset_ns=last_ns + NS // 20,
            back_ns=back_ns,
            steady_ns=None if back_ns is None else back_ns + NS // 5,
            ran_on=ran_on,
            p_restarted=None if back_ns is None else p_restarted,
        )
        for name in names
    )
    return Incident(
        kind=IncidentKind.BUS_SILENCE if everyone else IncidentKind.DROPOUT,
        channel=0,
        controllers=names,
        last_seen_ns=last_ns,
        onset_ns=last_ns + NS // 20,
        back_ns=back_ns,
        steady_ns=None if back_ns is None else back_ns + NS // 5,
        ran_on=ran_on,
        p_restarted=None if back_ns is None else p_restarted,
        losses=losses,
    )


def health(until_s: float, *incidents: Incident) -> Health:
    return Health(
        start_ns=0,
        until_ns=round(until_s * NS),
        frames=0,
        error_frames=0,
        controllers=(),
        incidents=incidents,
        gaps=(),
    )


class HandRecord:
    """A record written by hand, line by line, and asked at any instant; what each action did is the engine's to say."""

    def __init__(self, machine: Machine, *, start_ns: int) -> None:
        self._machine = machine
        self._start_ns = start_ns
        self._incidents: list[Incident] = []
        self._actions: list[Action] = []
        self._absent: list[tuple[str, int, int | None]] = []

    def saw(self, incident: Incident) -> None:
        self._incidents.append(incident)

    def act(self, done: Action) -> None:
        self._actions.append(done)

    def away(self, controller: str, from_ns: int, to_ns: int | None) -> None:
        self._absent.append((controller, from_ns, to_ns))

    def known_at(self, at_ns: int) -> Record:
        because = attribute_incidents(
            self._incidents,
            [done for done in self._actions if done.time_ns <= at_ns + 3 * done.uncertainty_ns],
            self._machine,
            start_ns=self._start_ns,
            span_s=max((at_ns - self._start_ns) / NS, 1.0),
            absent=self._absent,
        )
        return Record(
            machine=self._machine,
            start_ns=self._start_ns,
            at_ns=at_ns,
            incidents=tuple(self._incidents),
            because=because,
            actions=tuple(self._actions),
            absent=tuple(self._absent),
        )

    def findings(self, at_ns: int) -> Findings:
        return work_out(self.known_at(at_ns))

    def verdict(self, at_ns: int) -> IsolationVerdict:
        return verdict_on(self.known_at(at_ns))
