"""What a technician could do next: steps on the plugs as they are now, and whom they would leave exposed.

Takes the findings and who is down now; gives candidate tests with their hands-on effort. What they would tell is
`busdoc.isolation.proposals.next_tests`'s to weigh.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.plugged import PlugState
from busdoc.arrays import BoolArray, Float64Array
from busdoc.isolation.suspects.exposure import THE_MACHINE
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.prior import kind_of
from busdoc.isolation.verdict import Step
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS

__all__ = ["Candidate", "focus_of", "list_candidates", "replacement_of"]

_PLUG_S = 8.0
"""To reach a connector and move it (common practice; the map may say otherwise for a part)."""
_WALK_S = 25.0
"""To the machine and back to the screen, for every test that needs hands (common practice)."""
_WIGGLE_S = 15.0
"""To move a loom along its length (common practice; the map may say otherwise for a part)."""
_SWAP_S = 60.0
"""To let two like parts change places (common practice; the map may say otherwise)."""
_REPLACE_S = 300.0
"""To fit a part that is at hand (common practice; the map may say otherwise)."""
_STUCK_FROM = 0.5
"""A symptom that rather latches than not has its power cycled: where it would have gone alone, little is lost (one
half, by definition)."""
_REPLACE_FROM = 0.5
"""Nobody is sent for a part that is rather not the culprit than the culprit: one half, by definition."""
_POWER_S = 12.0
"""To switch off or on, walk included (common practice)."""
_START_S = 8.0
"""Until the controllers are back (common practice: one to ten seconds)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """Steps, and what they lead to."""

    steps: tuple[Step, ...]
    effort_s: float
    exposed: BoolArray
    """(P,) the parts that can trouble any controller of interest afterwards, while it is up."""
    shaken: BoolArray
    """(P,) moved by a wiggle."""
    powers_down: bool
    """The power is off while hands are on the parts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    """What all candidates start from."""

    findings: Findings
    state: PlugState
    controller: str
    down: bool
    """The controller is off the bus."""
    stuck: bool
    """It stays so until its power is cycled."""
    mass: Float64Array
    """(P,) posterior probability of each part."""


def focus_of(findings: Findings) -> str | None:
    """Name the controller that the suspicion is about: the one that fell unexplained most often; None: none."""
    if findings.losses.showing is not None:
        return findings.reach.controllers[findings.losses.showing.observer]
    hits = findings.losses.hit[list(findings.unexplained)].sum(axis=0)
    if hits.any():
        alone = findings.losses.hit[list(findings.unexplained)].sum(axis=1) == 1
        single = findings.losses.hit[list(findings.unexplained)][alone].sum(axis=0)
        return findings.reach.controllers[int(np.argmax(single * 1000 + hits))]
    homes = [findings.machine.home(part) for part in findings.machine.parts]
    branches = [home for home in homes if home is not None]
    return max(dict.fromkeys(branches), key=branches.count) if branches else None


def list_candidates(findings: Findings, down: Iterable[str] = ()) -> tuple[Candidate, ...]:
    """List what could be done next.

    Parameters
    ----------
    findings : of the record so far
    down : controllers that are off the bus now
    """
    controller = focus_of(findings)
    if controller is None:
        return ()
    scene = _scene(findings, controller, down)
    plans = [*_groupings(scene), *_within_branch(scene), *_wiggles(scene), *_swaps(scene), *_replacements(scene)]
    plans.insert(0, [])
    candidates = [_realise(scene, plan) for plan in plans]
    unique = {(c.exposed.tobytes(), c.shaken.tobytes(), c.effort_s): c for c in reversed(candidates)}
    return tuple(reversed(unique.values()))


def replacement_of(findings: Findings, parts: Iterable[str], down: Iterable[str] = ()) -> Candidate:
    """Give the replacement of some parts, with the power steps that it needs.

    Parameters
    ----------
    findings : of the record so far
    parts : names of those to replace
    down : controllers that are off the bus now
    """
    controller = focus_of(findings) or next(iter(findings.reach.controllers), THE_MACHINE)
    scene = _scene(findings, controller, down)
    return _realise(scene, [Step(action=ActionKind.REPLACE, part=part) for part in parts])


def _scene(findings: Findings, controller: str, down: Iterable[str]) -> _Scene:
    is_down = controller in set(down)
    return _Scene(
        findings=findings,
        state=findings.reach.last,
        controller=controller,
        down=is_down,
        stuck=(is_down and _is_stuck(findings, controller)) or _needs_a_start(findings),
        mass=findings.posterior.marginal,
    )


def _needs_a_start(findings: Findings) -> bool:
    """Say whether only another start can show anything."""
    return findings.losses.showing is not None and findings.losses.showing.only_after_starts


def _is_stuck(findings: Findings, controller: str) -> bool:
    """Say whether a controller that is down needs its power cycled: the map says, or what it did before."""
    if findings.losses.showing is not None:
        return findings.losses.showing.p_latches > _STUCK_FROM
    known = findings.machine.controllers.get(controller)
    if known is not None and known.spec.latches is not None:
        return known.spec.latches
    c = findings.reach.controllers.index(controller)
    powered = [
        (a.time_ns - findings.start_ns) / SECOND_NS
        for a in findings.actions
        if a.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
    ]
    alone_s = [
        b - a
        for a, b in findings.losses.away[c]
        if np.isfinite(b) and not any(a - 2.0 < at < b + 2.0 for at in powered)
    ]
    last_s = findings.span_s - max((a for a, b in findings.losses.away[c] if not np.isfinite(b)), default=0.0)
    return not alone_s or last_s > 3.0 * max(alone_s) + 5.0


def _branches(scene: _Scene) -> list[str]:
    """Name the parts that plug straight into the controller."""
    machine = scene.findings.machine
    owners = set(machine.controllers) if scene.controller == THE_MACHINE else {scene.controller}
    return [
        part
        for part in scene.findings.reach.parts
        if scene.state.owner_of(part) in owners
        and kind_of(scene.findings.machine, part) not in (PartKind.FEED, PartKind.SEGMENT, PartKind.TERMINATOR)
        and part not in scene.findings.reach.controllers
    ] or [
        part
        for part in scene.findings.reach.parts
        if part not in scene.findings.machine and part not in scene.findings.reach.controllers
    ]


def _with_all_on_it(scene: _Scene, part: str) -> list[int]:
    index = {name: p for p, name in enumerate(scene.findings.reach.parts)}
    machine = scene.findings.machine
    below = machine.below(part) if part in machine else ()
    return [index[name] for name in (part, *below) if name in index]


def _groupings(scene: _Scene) -> list[list[Step]]:
    """Leave about a half, a third, or all but one of the suspicion plugged, with as few moves as that takes."""
    branches = _branches(scene)
    if not branches:
        return []
    mass = {b: float(scene.mass[_with_all_on_it(scene, b)].sum()) + 1e-6 for b in branches}
    total = sum(mass.values())
    plugged = [b for b in branches if scene.state.plugged(b)]
    out = [b for b in branches if not scene.state.plugged(b)]
    plans = [_towards(mass, plugged, out, share * total) for share in (0.5, 0.33, 0.25, 0.67)]
    heavy = sorted(plugged, key=lambda b: -mass[b])
    light = sorted(out, key=lambda b: mass[b])
    plans += [[Step(action=ActionKind.UNPLUG, part=b)] for b in heavy[:4]]
    plans += [[Step(action=ActionKind.PLUG, part=b)] for b in dict.fromkeys((*light[:2], *light[-2:]))]
    plans.append([Step(action=ActionKind.UNPLUG, part=b) for b in heavy])
    if len(out) > 1:
        plans.append([Step(action=ActionKind.PLUG, part=b) for b in light[: (len(light) + 1) // 2]])
        plans.append([Step(action=ActionKind.PLUG, part=b) for b in light[:-1]])
    if heavy:  # only the likeliest stays: does it alone make the trouble?
        only = [Step(action=ActionKind.UNPLUG, part=b) for b in heavy[1:]]
        plans.append(only)
    return [plan for plan in plans if plan]


def _towards(mass: dict[str, float], plugged: Sequence[str], out: Sequence[str], goal: float) -> list[Step]:
    """Move branches, the weightiest first, until the exposed suspicion is about the goal."""
    have = sum(mass[b] for b in plugged)
    steps: list[Step] = []
    for b in sorted(plugged, key=lambda b: -mass[b]):
        if have - goal > 0.5 * mass[b]:
            steps.append(Step(action=ActionKind.UNPLUG, part=b))
            have -= mass[b]
    for b in sorted(out, key=lambda b: -mass[b]):
        if goal - have > 0.5 * mass[b]:
            steps.append(Step(action=ActionKind.PLUG, part=b))
            have += mass[b]
    return steps


def _within_branch(scene: _Scene) -> list[list[Step]]:
    """Tell a harness from what hangs on it: the harness in, and all, half or one of what hangs on it out."""
    plans: list[list[Step]] = []
    parts = scene.findings.reach.parts
    for branch in sorted(_branches(scene), key=lambda b: -scene.mass[_with_all_on_it(scene, b)].sum())[:3]:
        inside = [p for p in _with_all_on_it(scene, branch) if parts[p] != branch]
        on_it = [p for p in inside if scene.state.owner_of(parts[p]) == branch]
        if not on_it:
            continue
        first = [] if scene.state.plugged(branch) else [Step(action=ActionKind.PLUG, part=branch)]
        hanging = sorted((p for p in on_it if scene.state.plugged(parts[p])), key=lambda p: -scene.mass[p])
        loose = sorted((p for p in on_it if not scene.state.plugged(parts[p])), key=lambda p: scene.mass[p])
        outs = (hanging, hanging[: (len(hanging) + 1) // 2], hanging[:1])
        plans += [[*_each(ActionKind.UNPLUG, group, parts), *first] for group in outs if group]
        ins = (loose[:1], loose[-1:], loose[: (len(loose) + 1) // 2])
        plans += [[*_each(ActionKind.PLUG, group, parts), *first] for group in ins if group]
        if loose and first:
            plans.append(first)
    return plans


def _each(kind: ActionKind, group: Sequence[int], parts: Sequence[str]) -> list[Step]:
    return [Step(action=kind, part=parts[p]) for p in group]


def _likely(scene: _Scene, at_least: float, most: int) -> list[str]:
    order = np.argsort(-scene.mass, kind="stable")[:most]
    return [scene.findings.reach.parts[p] for p in order if scene.mass[p] >= at_least]


def _wiggles(scene: _Scene) -> list[list[Step]]:
    if scene.down:
        return []
    machine = scene.findings.machine
    units = scene.findings.reach.controllers
    done = {a.part for a in scene.findings.actions if a.kind is ActionKind.WIGGLE}
    likely = [p for p in _likely(scene, 0.1, 4) if p not in units and p not in done]
    likely = [p for p in likely if _is_safe_live(machine, p)]  # it is moved with the power on, or it tells nothing
    return [[Step(action=ActionKind.WIGGLE, part=p)] for p in likely]


def _swaps(scene: _Scene) -> list[list[Step]]:
    """Swap like with like; parts whose plugs differ are not in `swaps_with` and cannot be."""
    machine = scene.findings.machine
    plans: list[list[Step]] = []
    for part in _likely(scene, 0.15, 4):
        known = machine.parts.get(part) or machine.controllers.get(part)
        others = known.swaps_with if known is not None else ()
        plans += [[Step(action=ActionKind.SWAP, part=part, into=other)] for other in others if other in machine]
    return plans


def _replacements(scene: _Scene) -> list[list[Step]]:
    """Replace what is likely, but nothing that was replaced already: one more new part would tell the same again."""
    done = {a.part for a in scene.findings.actions if a.kind is ActionKind.REPLACE}
    likely = [part for part in _likely(scene, _REPLACE_FROM, 2) if part not in done]
    return [[Step(action=ActionKind.REPLACE, part=part)] for part in likely]


def _realise(scene: _Scene, plan: list[Step]) -> Candidate:
    """Work out where a plan leads, and put the power steps around it that safety or a latched controller needs."""
    machine = scene.findings.machine
    state = scene.state
    for step in plan:
        state = state.after(_as_action(step))
    parts = scene.findings.reach.parts
    powers_down = any(_needs_power_off(machine, step) for step in plan if step.action is not ActionKind.WIGGLE)
    steps = _in_order(scene, plan)
    effort_s = sum(_effort_s(machine, step) for step in plan) + (_WALK_S if plan else 0.0)
    main_off = not scene.state.main_on
    if powers_down:
        before = [] if main_off else [Step(action=ActionKind.POWER_OFF, part=None)]
        steps = [*before, *steps, Step(action=ActionKind.POWER_ON, part=None)]
        effort_s += _POWER_S * (len(before) + 1) + _START_S
    elif scene.stuck or main_off:
        again = ActionKind.POWER_ON if main_off else ActionKind.POWER_CYCLE
        steps = [*steps, Step(action=again, part=None)]
        effort_s += _POWER_S + _START_S
    replaced = {step.part for step in plan if step.action is ActionKind.REPLACE}
    exposed = _exposed(state, parts, [*scene.findings.reach.controllers, THE_MACHINE])
    exposed &= np.array([part not in replaced and not state.specimens.get(part) for part in parts])
    shaken = np.zeros(len(parts), np.bool_)
    for step in plan:
        if step.action is ActionKind.WIGGLE and step.part is not None:
            shaken[_with_all_on_it(scene, step.part)] = True
    return Candidate(
        steps=tuple(steps), effort_s=effort_s, exposed=exposed, shaken=shaken & exposed, powers_down=powers_down
    )


def _in_order(scene: _Scene, plan: Sequence[Step]) -> list[Step]:
    """Put what is moved into the order of the connectors, which is that of their numbers: nobody runs to and fro."""
    machine = scene.findings.machine
    places = {name: k for k, name in enumerate((*machine.parts, *scene.findings.reach.parts))}
    first = [step for step in plan if step.action is ActionKind.UNPLUG]
    rest = [step for step in plan if step.action is not ActionKind.UNPLUG]
    return [*sorted(first, key=lambda step: places.get(step.part or "", len(places))), *rest]


def _exposed(state: PlugState, parts: Sequence[str], controllers: Sequence[str]) -> BoolArray:
    powered = replace(state, main_on=True)
    reached: set[str] = set()
    for name in controllers:
        reached |= powered.exposed(name)
    return np.array([part in reached for part in parts])


def _needs_power_off(machine: Machine, step: Step) -> bool:
    """Whether the power has to be off for it: for whatever is moved, unless the map says that it may be moved live.

    Common practice: connectors at a controller are not parted under power; the arc, the surge and what starts by itself
    cost more than a walk to the switch. Who draws the map knows from the maker's manual what may.
    """
    return not all(_is_safe_live(machine, name) for name in (step.part, step.into) if name is not None)


def _is_safe_live(machine: Machine, name: str) -> bool:
    known = machine.parts.get(name)
    return known is not None and known.safe_live and not _unsafe_below(machine, name)


def _unsafe_below(machine: Machine, name: str) -> bool:
    """Moving a plug moves all that hangs on it."""
    return machine.parts[name].unsafe_live or any(
        machine.parts[part].unsafe_live for part in machine.below(name) if part in machine.parts
    )


def _effort_s(machine: Machine, step: Step) -> float:
    known = machine.parts.get(step.part or "")
    if known is not None and known.effort_s is not None:
        return known.effort_s * (2.0 if step.action in (ActionKind.SWAP, ActionKind.REPLACE) else 1.0)
    kinds: dict[ActionKind, float] = {
        ActionKind.WIGGLE: _WIGGLE_S,
        ActionKind.SWAP: _SWAP_S,
        ActionKind.REPLACE: _REPLACE_S,
    }
    return kinds.get(step.action, _PLUG_S)


def _as_action(step: Step) -> Action:
    return Action(n=0, time_ns=0, uncertainty_ns=0, kind=step.action, part=step.part, into=step.into)
