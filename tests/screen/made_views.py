"""Views of a session made by hand, and a session that plays them: for looking at the screen without a bus."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from busdoc.actions.action import Action, ActionKind
from busdoc.capture.listening import BusState, Hearing
from busdoc.errors import InputError
from busdoc.health.controller import ControllerState
from busdoc.isolation.verdict import NextTest, Step, Suspect
from busdoc.live.view import (
    ControllerRow,
    Happening,
    HappeningKind,
    HarnessRow,
    NextRow,
    Proposal,
    SessionView,
    SilenceAnswer,
    StripSpan,
    Watching,
)

S = 10**9
START_NS = 1_772_435_640 * S
"""2026-03-02 07:14:00 UTC."""
NOW_NS = START_NS + 180 * S


def suspect(part: str, probability: float, *, cleared: bool = False) -> Suspect:
    return Suspect(part=part, probability=probability, cleared=cleared, why=())


SWEEPER = ("engine", "steering", "display", "broom", "water", "hopper", "fan", "lift")


def controller(
    name: str,
    state: ControllerState = ControllerState.STEADY,
    *,
    since_s: float = 0.0,
    expected_off: bool = False,
    last_fault: str = "",
    dropouts: int = 0,
    spans: Sequence[tuple[float, float, ControllerState, bool]] | None = None,
) -> ControllerRow:
    """Make a row; times in seconds after the start."""
    stretches = spans or ((0.0, since_s, ControllerState.STEADY, False), (since_s, 180.0, state, expected_off))
    return ControllerRow(
        name=name,
        channel="can0",
        state=state,
        since_ns=START_NS + round(since_s * S),
        dropouts=dropouts,
        expected_off=expected_off,
        last_fault=last_fault,
        spans=tuple(
            StripSpan(from_ns=START_NS + round(a * S), to_ns=START_NS + round(b * S), state=kind, expected=expected)
            for a, b, kind, expected in stretches
            if b > a
        ),
    )


def part(
    name: str,
    kind: str,
    depth: int,
    *,
    plugged: bool = True,
    powered: bool = True,
    label: int | None = None,
    probability: float | None = None,
    cleared: bool = False,
    swaps_with: tuple[str, ...] = (),
) -> HarnessRow:
    """Make a row of the tree."""
    return HarnessRow(
        name=name,
        kind=kind,
        depth=depth,
        plugged=plugged,
        powered=powered,
        label=label,
        probability=probability,
        cleared=cleared,
        unsafe_live=kind == "actuator",
        swaps_with=swaps_with,
    )


SWEEPER_TREE = (
    part("battery", "feed", 0),
    part("fuse-1", "feed", 1),
    part("engine", "controller", 2),
    part("steering", "controller", 2),
    part("display", "controller", 2),
    part("fuse-2", "feed", 1),
    part("broom", "controller", 2),
    part("water", "controller", 2),
    part("fuse-3", "feed", 1),
    part("hopper", "controller", 2),
    part("harness-A", "harness", 3, swaps_with=("harness-B",)),
    part("gate-angle", "sensor", 4, swaps_with=("tilt-angle",)),
    part("gate-closed", "sensor", 4),
    part("harness-B", "harness", 3, swaps_with=("harness-A",)),
    part("tilt-angle", "sensor", 4, swaps_with=("gate-angle",)),
    part("harness-C", "harness", 3),
    part("fill-level", "sensor", 4),
    part("prop-switch", "sensor", 4),
    part("harness-D", "harness", 3),
    part("tilt-valve", "actuator", 4),
    part("gate-valve", "actuator", 4),
    part("fan", "controller", 2),
    part("lift", "controller", 2),
)


def bus(hearing: Hearing = Hearing.HEARD, *, since_s: float = 0.0, note: str = "") -> BusState:
    """Make the state of the one bus."""
    return BusState(
        name="socketcan:can0",
        channel=0,
        hearing=hearing,
        since_ns=START_NS + round(since_s * S),
        bitrate=250_000,
        listen_only=True,
        note=note,
    )


HEALTHY = SessionView(
    start_ns=START_NS,
    now_ns=NOW_NS,
    machine_name="Street sweeper",
    buses=(bus(),),
    frames=64_000,
    frames_per_s=357.0,
    loads=(("can0", 0.31),),
    controllers=tuple(controller(name, since_s=0.5) for name in SWEEPER),
    harness=SWEEPER_TREE,
    actions=(),
    headline="Healthy: all 8 controllers were in step over 3 min.",
    why=(),
    suspects=(),
    next=None,
    watching=None,
    proposals=(),
    cautions=("Prop the hopper before working under it.",),
    labels_given=False,
    not_back=(),
    recording="",
    trouble="",
    finished=False,
)

POWER_OFF_FIRST = "Power off, and stored energy released, before hands go in; the maker's manual comes first."


def with_controllers(view: SessionView, *rows: ControllerRow) -> SessionView:
    """Put rows in the places of those with their names."""
    named = {row.name: row for row in rows}
    return replace(view, controllers=tuple(named.get(row.name, row) for row in view.controllers))


def with_parts(view: SessionView, *rows: HarnessRow) -> SessionView:
    """Put parts in the places of those with their names."""
    named = {row.name: row for row in rows}
    return replace(view, harness=tuple(named.get(row.name, row) for row in view.harness))


UNPLUG_ALL = NextRow(
    test=NextTest(
        steps=(
            Step(action=ActionKind.POWER_OFF, part=None),
            Step(action=ActionKind.UNPLUG, part="harness-A"),
            Step(action=ActionKind.UNPLUG, part="harness-B"),
            Step(action=ActionKind.POWER_ON, part=None),
        ),
        watch_ns=18 * S,
        gain_bits=0.9,
        effort_s=60.0,
        tells="Trouble: it is not on A or B. Quiet: one of them it is.",
        cautions=(POWER_OFF_FIRST,),
        clear_ns=25 * S,
    ),
    step=0,
    steps_text=(
        "Switch the machine off",
        "Unplug harness-A (no. 1)",
        "Unplug harness-B (no. 2)",
        "Switch the machine on",
    ),
)

STEP_2 = replace(UNPLUG_ALL, step=1)
"""The power is off; a connector is next."""

ONE_LOST = replace(
    with_controllers(
        HEALTHY,
        controller(
            "hopper", ControllerState.LOST, since_s=168.0, dropouts=3, last_fault="SPN 3509 FMI 4, sensor supply 1 low"
        ),
        controller(
            "fan",
            spans=(
                (0.0, 60.0, ControllerState.STEADY, False),
                (60.0, 75.0, ControllerState.LOST, True),
                (75.0, 78.0, ControllerState.STARTING, False),
                (78.0, 180.0, ControllerState.STEADY, False),
            ),
        ),
    ),
    headline="hopper dropped off the bus 3 times in 3 min and restarted each time. Suspects: gate-angle 34 %, "
    "harness-A 21 %.",
    next=UNPLUG_ALL,
    focus="hopper",
    suspects=(suspect("gate-angle", 0.34), suspect("harness-A", 0.21), suspect("harness-C", 0.003, cleared=True)),
    harness=with_parts(
        HEALTHY,
        part("harness-A", "harness", 3, label=1, probability=0.21, swaps_with=("harness-B",)),
        part("gate-angle", "sensor", 4, label=2, probability=0.34, swaps_with=("tilt-angle",)),
        part("harness-C", "harness", 3, label=6, probability=0.003, cleared=True),
        part("harness-D", "harness", 3, label=9, probability=0.004, plugged=False),
    ).harness,
    actions=(
        Action(n=1, time_ns=START_NS + 60 * S, uncertainty_ns=S, kind=ActionKind.POWER_CYCLE, part="fuse-3"),
        Action(n=2, time_ns=START_NS + 140 * S, uncertainty_ns=S, kind=ActionKind.UNPLUG, part="harness-D"),
    ),
    labels_given=True,
    not_back=("harness-D is unplugged; it belongs in hopper:D",),
    recording="sweeper-0302, 1.2 MB",
)

SEVERAL_LOST = replace(
    ONE_LOST,
    controllers=with_controllers(
        ONE_LOST,
        controller("fan", ControllerState.LOST, since_s=170.0, dropouts=1),
        controller("lift", ControllerState.LOST, since_s=170.0, dropouts=1),
        controller("display", ControllerState.LATE, since_s=175.0),
        controller("water", ControllerState.LOST, since_s=171.0, expected_off=True),
        controller("broom", ControllerState.STARTING, since_s=178.0),
    ).controllers,
    headline="fan, hopper and lift dropped off the bus together: look at fuse-3.",
)

WATCHED = replace(
    ONE_LOST,
    controllers=HEALTHY.controllers,
    next=replace(UNPLUG_ALL, step=4),
    watching=Watching(since_ns=NOW_NS - 8 * S, clear_at_ns=NOW_NS + 42 * S, parts=("harness-C", "harness-D")),
)


@dataclass
class MadeSession:
    """A session that shows what it is told to, and writes down what it was asked."""

    shown: SessionView = HEALTHY
    asked: list[tuple[object, ...]] = field(default_factory=list)
    coming: list[Happening] = field(default_factory=list)
    amended: int = 0
    full_disk: bool = False
    unreadable: bool = False

    def happen(self, kind: HappeningKind, text: str, name: str | None = None) -> None:
        """Let something happen at the next tick."""
        n = len(self.coming) + 1
        self.coming.append(Happening(n=n, time_ns=self.shown.now_ns, kind=kind, text=text, controller=name))

    def step(self) -> None:
        """Do nothing: time is set by hand."""
        if self.unreadable:
            raise InputError("capture.log", "frames", "something else", "Is it the right file?")

    def view(self) -> SessionView:
        return self.shown

    def happenings(self, after: int) -> tuple[Happening, ...]:
        return tuple(one for one in self.coming if one.n > after)

    def act(self, kind: ActionKind, part: str | None = None, into: str | None = None, *, note: str = "") -> Action:
        if self.full_disk:
            raise InputError("session.sqlite", "room on the disk", "none", "Free some and press again.")
        self.asked.append(("act", kind, part, into))
        action = Action(
            n=len(self.shown.actions) + 1,
            time_ns=self.shown.now_ns,
            uncertainty_ns=S,
            kind=kind,
            part=part,
            into=into,
            note=note,
        )
        self.shown = replace(self.shown, actions=(*self.shown.actions, action))
        return action

    def do_next(self) -> Action | None:
        following = self.shown.next
        if following is None or following.step >= len(following.steps_text):
            return None
        step = following.test.steps[following.step]
        action = self.act(step.action, step.part, step.into)
        self.shown = replace(self.shown, next=replace(following, step=following.step + 1))
        return action

    def do_now(self) -> None:
        self.asked.append(("do now",))

    def cycle(self, feed: str | None) -> Action | None:
        return self.act(ActionKind.POWER_CYCLE, feed)

    def answer_silence(self, answer: SilenceAnswer) -> Action:
        return self.act(ActionKind.MARK, note=answer.value)

    def correct(self, n: int, *, part: str | None = None, note: str | None = None) -> Action:
        self.asked.append(("correct", n, part, note))
        was = {a.n: a for a in self.shown.actions}
        now = replace(was[n], part=part or was[n].part, note=note or was[n].note)
        self.shown = replace(self.shown, actions=tuple(now if a.n == n else a for a in self.shown.actions))
        return now

    def isolate(self, name: str | None) -> None:
        self.asked.append(("isolate", name))

    def undo(self, n: int | None = None) -> Action | None:
        self.asked.append(("undo",) if n is None else ("undo", n))
        if not self.shown.actions:
            return None
        *kept, last = self.shown.actions
        self.shown = replace(self.shown, actions=tuple(kept))
        return last

    def redo(self) -> Action | None:
        self.asked.append(("redo",))
        return None

    def retime(self, n: int, seconds_ago: float) -> Action:
        self.asked.append(("retime", n, seconds_ago))
        moved = {a.n: replace(a, time_ns=self.shown.now_ns - round(seconds_ago * S)) for a in self.shown.actions}
        self.shown = replace(self.shown, actions=tuple(moved[a.n] if a.n == n else a for a in self.shown.actions))
        return moved[n]

    def rename(self, old: str, new: str) -> None:
        self.asked.append(("rename", old, new))

    def note(self, text: str) -> None:
        self.asked.append(("note", text))

    def take_proposal(self, key: str) -> Action:
        self.asked.append(("take", key))
        taken = next(one for one in self.shown.proposals if one.key == key)
        self.shown = replace(self.shown, proposals=tuple(one for one in self.shown.proposals if one.key != key))
        return taken.action

    def refuse_proposal(self, key: str) -> None:
        self.asked.append(("refuse", key))
        self.shown = replace(self.shown, proposals=tuple(one for one in self.shown.proposals if one.key != key))

    def give_labels(self) -> None:
        self.asked.append(("labels",))
        kinds = ("harness", "sensor", "actuator")
        named = [row.name for row in self.shown.harness if row.kind in kinds]
        labels = {name: n for n, name in enumerate(named, start=1)}
        self.shown = replace(
            self.shown,
            labels_given=True,
            harness=tuple(replace(row, label=labels.get(row.name)) for row in self.shown.harness),
        )

    def skip_test(self) -> None:
        self.asked.append(("skip",))


def power_seen() -> Proposal:
    """Make a proposal that the power went off."""
    action = Action(n=0, time_ns=NOW_NS - 30 * S, uncertainty_ns=S, kind=ActionKind.POWER_OFF, part="fuse-3")
    return Proposal(key="power-fuse-3", action=action, text="the traffic looks like switching fuse-3 off")
