"""Journals with one thing wrong, and how the engine bears it."""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from busdoc.actions.action import ActionKind
from tests.truth.calibration import Judged, judge
from tests.truth.isolation_sessions import NS, Session, SessionKind, live_through
from tests.truth.sufficiency import suffices

__all__ = ["SLIPS", "holds_up", "judge_slips", "slip"]

SLIPS = ("wrong press", "missing press", "doubled press", "clock 3 s ahead", "clock 3 s behind")
"""What can be wrong with a journal: one plug or unplug that names another branch, is missing, or is there twice."""


def slip(session: Session, what: str, seed: int) -> Session:
    """Spoil a session's journal in one of the ways of `SLIPS`; what was seen on the bus stays as it was."""
    rng = np.random.default_rng([seed, SLIPS.index(what)])
    actions = list(session.actions)
    if what.startswith("clock"):
        offset_ns = 3 * NS if what.endswith("ahead") else -3 * NS
        return replace(session, actions=tuple(replace(a, time_ns=a.time_ns + offset_ns) for a in actions))
    moves = [k for k, a in enumerate(actions) if a.kind in (ActionKind.PLUG, ActionKind.UNPLUG)]
    if not moves:
        return session
    k = moves[int(rng.integers(len(moves)))]
    if what == "missing press":
        del actions[k]
    elif what == "doubled press":
        again_ns = actions[k].time_ns + round(float(rng.uniform(0.2, 0.8)) * NS)
        actions.insert(k + 1, replace(actions[k], n=len(actions) + 1, time_ns=again_ns))
    else:
        parts = session.machine.parts
        meant = parts[actions[k].part or ""]
        others = [name for name, part in parts.items() if part.kind is meant.kind and name != meant.name]
        actions[k] = replace(actions[k], part=others[int(rng.integers(len(others)))])
    return replace(session, actions=tuple(actions))


def judge_slips(seeds: Iterable[int], what: str) -> list[Judged]:
    """Judge sessions with a spoilt journal, of those whose record suffices to tell."""
    kinds = (SessionKind.HARD_BRANCH, SessionKind.INTERMITTENT_BRANCH, SessionKind.FEED, SessionKind.SEGMENT)
    sessions = [(live_through(kind, seed, broken_off=False), seed) for kind in kinds for seed in seeds]
    return [judge(slip(session, what, seed)) for session, seed in sessions if suffices(session)]


def holds_up(one: Judged) -> bool:
    """Whether a faulty part is in the top two and no innocent one above 90 %."""
    return one.in_top(2) and one.worst_innocent <= 0.9
