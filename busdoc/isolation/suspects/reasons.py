"""Why a part is suspected or cleared, in the words of a technician.

Takes the findings; every sentence is counted from the record, none is guessed.
"""

import math

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.arrays import BoolArray
from busdoc.health.codes.code import FaultCode
from busdoc.isolation.suspects.findings import Findings
from busdoc.isolation.suspects.prior import kind_of
from busdoc.isolation.suspects.trials import likely_times_s
from busdoc.machine.machine import PartKind
from busdoc.times import SECOND_NS
from busdoc.words.counting import all_of, counted, plural, times
from busdoc.words.duration import span
from busdoc.words.probability import odds

__all__ = ["elsewhere_reasons", "reasons_for"]

_UNLIKELY = 0.2
"""Nothing is said for a part below one in five: 'unlikely', by definition of our words."""
_LIKELY = 0.8
"""From four in five on a part is 'likely', by definition of our words."""
_SOON_S = 15.0
"""A dropout this soon after a plug counts as 'came back when it was restored' (common practice: a start, and a
moment)."""


def reasons_for(findings: Findings, part: int, *, cleared: bool, codes: tuple[FaultCode, ...] = ()) -> tuple[str, ...]:
    """Say what speaks for and against a part, the weightiest first.

    Parameters
    ----------
    part : its index in the arrays of the findings
    cleared : whether the verdict calls it clear
    codes : fault codes with a hint
    """
    kind = kind_of(findings.machine, findings.reach.parts[part])
    said: list[str] = []
    if cleared:
        said += _earned(findings, part)
    if kind in (PartKind.FEED, PartKind.SEGMENT) and findings.losses.showing is None:
        said += _together(findings, part, kind)
    elif findings.reach.parts[part] in findings.reach.controllers:
        said += _itself(findings, part)
    else:
        said += _plugged_before(findings, part)
        said += _restored(findings, part)
        said += _without_it(findings, part)
    said += _did_not_start(findings, part)
    said += _absent_at(findings, part)
    if not cleared and findings.posterior.marginal[part] < _UNLIKELY:
        said += _earned(findings, part)
    said += _replaced(findings, part)
    said += _pointed_at(findings, part, codes)
    if not said and not cleared:
        said += _in_place(findings, part)
    return tuple(dict.fromkeys(said))


def elsewhere_reasons(findings: Findings) -> tuple[str, ...]:
    """Say what speaks for a cause that the map does not have."""
    rows = list(findings.unexplained)
    if not rows:
        return ()
    hit = findings.losses.hit[rows]
    names = [findings.reach.controllers[int(c)] for c in np.flatnonzero(np.any(hit, axis=0))]
    said = [f"{counted(len(rows), _each(findings))} that no action explains, on {_some(names)}"]
    by_hand = findings.posterior.by_hand > 0.5
    if by_hand.any():
        n = int(by_hand.sum())
        which = "it looks" if n == len(rows) == 1 else plural(n, "one of them looks", f"{n} of them look")
        said.append(f"{which} like somebody who switched a supply off and on and wrote nothing down")
    answered = findings.posterior.shows.sum(axis=1)
    alone = int(((answered < 0.5) & ~by_hand).sum())
    if alone:
        which = "it fits" if alone == len(rows) == 1 else plural(alone, "one of them fits", f"{alone} of them fit")
        said.append(f"{which} no part on the map better than chance")
    if not any(_branch(part.kind) for part in findings.machine.parts.values()):
        said.append(
            "no map says what hangs on the controllers: name in the journal what is unplugged, to narrow it down"
        )
    return tuple(said)


def _one(findings: Findings) -> str:
    """What came, said of one."""
    return "dropout" if findings.losses.showing is None else "symptom"


def _each(findings: Findings) -> str:
    """The same, where they are counted."""
    return "dropout" if findings.losses.showing is None else "showing"


def _branch(kind: PartKind) -> bool:
    return kind not in (PartKind.FEED, PartKind.SEGMENT, PartKind.TERMINATOR)


def _rows(findings: Findings, part: int) -> list[int]:
    """Give the incidents that may have been this part's, by their place among the unexplained."""
    family = _family(findings, part)
    return [k for k in range(len(findings.unexplained)) if findings.posterior.shows[k][family].sum() > 0.3]


def _family(findings: Findings, part: int) -> list[int]:
    """A part with all that hangs on it and that it hangs on: their plugs go together."""
    machine, parts = findings.machine, findings.reach.parts
    name = parts[part]
    if name not in machine or name in machine.controllers:
        return [part]
    kin = {name, *machine.below(name), *machine.above(name)}
    plain = (PartKind.FEED, PartKind.SEGMENT)
    kin = {other for other in kin if other in machine.parts and kind_of(machine, other) not in plain}
    return [p for p, other in enumerate(parts) if other in kin]


def _reached(findings: Findings, part: int) -> list[bool]:
    """For each stretch between actions: whether the part reached any controller."""
    reached: list[bool] = np.any(findings.reach.reaches[:, part], axis=1).tolist()
    return reached


def _plugcounted(findings: Findings, part: int) -> list[tuple[float, int]]:
    """(written time, action index) of every action that joined the part anew."""
    reached = _reached(findings, part)
    return [
        ((findings.actions[m].time_ns - findings.start_ns) / SECOND_NS, m)
        for m in np.unique(findings.reach.changes.of(part).action).tolist()
        if reached[m + 1] and not reached[m]
    ]


def _answered_plugs(findings: Findings, part: int) -> list[tuple[float, float]]:
    """(plug written, trouble after it) for every plug after which the trouble came soon."""
    found: list[tuple[float, float]] = []
    for at_s, m in _plugcounted(findings, part):
        sigma_s = findings.actions[m].uncertainty_ns / SECOND_NS
        for k in _rows(findings, part):
            t = float(findings.losses.t_s[findings.unexplained[k]])
            if at_s - 3.0 * sigma_s < t < at_s + _SOON_S:
                found.append((at_s, t))
                break
    return found


def _plugged_before(findings: Findings, part: int) -> list[str]:
    answered = _answered_plugs(findings, part)
    if not answered:
        return []
    at_s, t = answered[-1]
    if t >= at_s:
        return [f"was plugged in {t - at_s:.1f} s before the {_one(findings)}"]
    return [f"was plugged in as the {_one(findings)} came (written down {at_s - t:.1f} s after it)"]


def _restored(findings: Findings, part: int) -> list[str]:
    plugs, answered = _plugcounted(findings, part), _answered_plugs(findings, part)
    if len(plugs) < 2 or not answered:
        return []
    if len(answered) == len(plugs):
        every = "both" if len(plugs) == 2 else f"all {len(plugs)}"
        return [f"the {_one(findings)} came back {every} times it was restored"]
    return [f"the {_one(findings)} came back {len(answered)} of the {len(plugs)} times it was restored"]


def _without_it(findings: Findings, part: int) -> list[str]:
    """How the controller fared with the part out."""
    reached = _reached(findings, part)
    home: BoolArray = findings.reach.ever[part]
    if not home.any():
        return []
    showing = findings.losses.showing
    c = showing.observer if showing is not None and home[showing.observer] else int(np.flatnonzero(home)[0])
    edges = [0.0, *likely_times_s(findings).tolist(), findings.span_s]
    quiet_s, troubles = 0.0, 0
    replaced_s = _replaced_s(findings, part)
    for m, on in enumerate(reached):
        if on:
            continue
        # Once another one is in, it is not out; what follows is told as its proof.
        from_s, to_s = edges[m], min(edges[m + 1], max(replaced_s, edges[m]))
        away_s = sum(max(0.0, min(b, to_s) - max(a, from_s)) for a, b in findings.losses.away[c])
        quiet_s += max(0.0, to_s - from_s - away_s)
        troubles += sum(
            bool(from_s <= findings.losses.t_s[row] < to_s and findings.losses.hit[row, c])
            and findings.posterior.shows[k][_family(findings, part)].sum() < 0.5
            for k, row in enumerate(findings.unexplained)
        )
    if troubles:
        return [f"with it out, the trouble came all the same, {times(troubles)}"]
    return [f"with it out, {span(quiet_s)} quiet"] if quiet_s >= 1.0 else []


def _did_not_start(findings: Findings, part: int) -> list[str]:
    """Who did not start while the part was in."""
    starts, reach = findings.evidence.starts, findings.reach
    itself = findings.reach.parts[part] in reach.controllers
    said: list[str] = []
    for e in np.flatnonzero(starts.exposed[part]).tolist():
        if findings.losses.showing is not None:
            said.append("it showed, with this plugged in, as the record began")
            continue
        names = _some([reach.controllers[int(c)] for c in np.flatnonzero(starts.hit[e])])
        who = "it" if itself else f"{names}, with this plugged in,"
        action = starts.action[e]
        if action is None:
            said.append(f"{who} was off the bus when the record began")
        else:
            said.append(f"{who} did not come back after action {findings.actions[action].n}")
    return said


def _absent_at(findings: Findings, part: int) -> list[str]:
    exposed = findings.evidence.exposed[part]
    n = len(exposed)
    missed = int((~exposed).sum())
    if not n or not missed or not findings.reach.ever[part].any():
        return []
    if findings.posterior.marginal[part] >= _LIKELY:
        of_all = f"{missed} of the {n} {_each(findings)}s" if n > 1 else f"the one {_each(findings)}"
        return [f"{of_all} {plural(missed, 'has', 'have')} another cause"]
    group = kind_of(findings.machine, findings.reach.parts[part]) in (PartKind.FEED, PartKind.SEGMENT)
    if findings.losses.showing is None and (group or findings.reach.parts[part] in findings.reach.controllers):
        return [f"does not fit who fell in {missed} of {counted(n, 'dropout')}"]
    return [f"could not have made {missed} of {counted(n, _each(findings))}: it was out, or reaches other controllers"]


def _in_place(findings: Findings, part: int) -> list[str]:
    """What speaks for a part that nothing else does: it was there each time."""
    exposed = findings.evidence.exposed[part]
    n = int(exposed.sum())
    if not n or n < len(exposed):
        return []
    return [f"was in place at {all_of(n, _each(findings))}, and nothing clears it"]


def _earned(findings: Findings, part: int) -> list[str]:
    quiet_s, passed = float(findings.evidence.quiet_s[part]), float(findings.posterior.earned[part])
    if not len(findings.unexplained) or quiet_s < 1.0 or passed > 0.5:
        return []
    return [f"exposed and quiet for {span(quiet_s)}; this fault would have shown by then ({odds(1.0 - passed)})"]


def _together(findings: Findings, part: int, kind: PartKind) -> list[str]:
    """Which controllers a feed or segment carries, and how often they fell together."""
    reach, losses = findings.reach, findings.losses
    carried: BoolArray = reach.ever[part]
    verb = "supplies" if kind is PartKind.FEED else "carries the bus of"
    names = [name for name, on in zip(reach.controllers, carried, strict=True) if on]
    rows = [row for row in findings.unexplained if losses.hit[row].sum() > 1]
    all_in = [row for row in rows if not (losses.hit[row] & ~carried).any()]
    if len(names) < 2:  # who fell alone on a supply of its own
        alone = sum(bool((losses.hit[row] == carried).all()) for row in findings.unexplained)
        return [f"{verb} {_some(names)} alone, which fell {times(alone)}"] if names and alone else []
    if not all_in:
        return [f"{verb} {_some(names)}, which did not fall together"] if findings.unexplained else []
    said = [f"{verb} {_some(names)}; they fell together {times(len(all_in))}"]
    p = losses.p_restarted[all_in]
    known = p[~np.isnan(p)]
    if len(known):
        restarted = float(known.mean()) > 0.5
        said.append("they restarted, as without supply" if restarted else "they had kept running: a broken bus")
    return said


def _itself(findings: Findings, part: int) -> list[str]:
    """How often a controller fell alone, in whichever place it sat then: controllers change places too."""
    reach, losses = findings.reach, findings.losses
    if losses.showing is not None:
        return []
    stretch = np.searchsorted(likely_times_s(findings), losses.t_s)
    own = losses.hit & reach.reaches[stretch, part] & (losses.hit.sum(axis=1) == 1)[:, None]
    alone = int(own[list(findings.unexplained)].any(axis=1).sum())
    return [f"fell alone {times(alone)}"] if alone else []


def _replaced_s(findings: Findings, part: int) -> float:
    """When a part was first replaced, s; never: infinite."""
    name = findings.reach.parts[part]
    done_ns = [a.time_ns for a in findings.actions if a.kind is ActionKind.REPLACE and a.part == name]
    return (min(done_ns) - findings.start_ns) / SECOND_NS if done_ns else math.inf


def _replaced(findings: Findings, part: int) -> list[str]:
    name = findings.reach.parts[part]
    said: list[str] = []
    for action in findings.actions:
        if action.kind is ActionKind.REPLACE and action.part == name:
            at_s = (action.time_ns - findings.start_ns) / SECOND_NS
            later = [row for row in findings.unexplained if findings.losses.t_s[row] > at_s + 1.0]
            again = times(len(later))
            said.append(f"was replaced; the trouble came again {again} since" if later else "was replaced; quiet since")
    return said


def _pointed_at(findings: Findings, part: int, codes: tuple[FaultCode, ...]) -> list[str]:
    name = findings.reach.parts[part]
    kind = kind_of(findings.machine, name)
    home = findings.machine.home(name) if name in findings.machine else None
    return [
        f"{code.code} points at it"
        for code in codes
        if name in code.points_at or (kind is not None and kind.value in code.points_at and home == code.controller)
    ]


def _some(names: list[str]) -> str:
    if len(names) <= 4:
        return ", ".join(names)
    return f"{', '.join(names[:3])} and {len(names) - 3} more"
