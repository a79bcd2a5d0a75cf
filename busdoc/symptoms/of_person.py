"""What a person sees: a lamp, a message on the display, a noise; written down as `seen` and `gone`.

Each press is a look. Between two looks nobody knows to better than how often people look up, or than when they went on
working: who waited to see what a step does looks before the next one, and would have pressed. So what was not there at
the last look counts as not there until the last press of any kind. With the power off nothing can be seen. A look is
wrong now and then.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.machine.machine import Machine
from busdoc.symptoms.looks import LOOKS_WITHIN_NS
from busdoc.symptoms.spans import cut_at_restarts, without
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["seen_symptoms"]

_ERRS = 0.03
"""One look in thirty is wrong (common practice: another lamp, the sun on the glass)."""
_LATENCY_NS = 3 * SECOND_NS
"""From the fault to the lamp, and to the hand (common practice: the controller waits before it believes, and so does a
person)."""
_WAITED_NS = 5 * SECOND_NS
"""Who let so long pass since the step before had something to look for (common practice); a quick row of steps has no
look in it."""
_BEFORE_STEP_NS = 2 * SECOND_NS
"""The look before a step comes so long before its press, at most (common practice)."""
_STARTS_NS = 3 * SECOND_NS
"""With the power back, lamps are tested and go out again within so long (common practice)."""
_CYCLE_NS = 8 * SECOND_NS
"""How long a power cycle that is one press takes (common practice)."""


def seen_symptoms(actions: Sequence[Action], machine: Machine, until_ns: int) -> tuple[Symptom, ...]:
    """Give one symptom for each thing that was seen, by its note.

    Parameters
    ----------
    actions : in any order
    machine : the map; a `seen` may name a controller of it
    until_ns : how far the record goes
    """
    ordered = sorted((a for a in actions if a.time_ns <= until_ns), key=lambda a: (a.time_ns, a.n))
    looks: dict[tuple[str, str | None], list[Action]] = {}
    last: tuple[str, str | None] | None = None
    for action in ordered:
        if action.kind not in (ActionKind.SEEN, ActionKind.GONE):
            continue
        name = (action.note, action.part if action.part in machine.controllers else None)
        if name == ("", None) and last is not None:
            name = last  # no note: the same thing as before
        looks.setdefault(name, []).append(action)
        last = name
    off = _power_off(ordered, until_ns)
    last_ns = max((action.time_ns for action in ordered), default=0)
    went_on_ns = _went_on(ordered)
    return tuple(_symptom(name, own, went_on_ns, off, last_ns) for name, own in looks.items())


def _went_on(ordered: Sequence[Action]) -> list[int]:
    """Give when somebody looked before the next step, and saw nothing new; ascending."""
    steps_ns = [action.time_ns for action in ordered if action.kind not in REMARKS]
    waited = [b for a, b in pairwise(steps_ns) if b - a >= _WAITED_NS]
    return [step_ns - _BEFORE_STEP_NS for step_ns in waited]


def _power_off(ordered: Sequence[Action], until_ns: int) -> list[tuple[int, int]]:
    """(off, can be seen again) for each time that the power was off."""
    spans: list[tuple[int, int]] = []
    since_ns: int | None = None
    for action in ordered:
        if action.kind is ActionKind.POWER_OFF and since_ns is None:
            since_ns = action.time_ns
        elif action.kind is ActionKind.POWER_CYCLE:
            spans.append((action.time_ns, action.time_ns + _CYCLE_NS))
            since_ns = None
        elif action.kind is ActionKind.POWER_ON and since_ns is not None:
            spans.append((since_ns, action.time_ns + _STARTS_NS))
            since_ns = None
    if since_ns is not None:
        spans.append((since_ns, max(until_ns, since_ns + 1)))
    looks_ns = [action.time_ns for action in ordered if action.kind in (ActionKind.SEEN, ActionKind.GONE)]
    return [(a, min([b, *[t for t in looks_ns if t > a]])) for a, b in spans]  # who looks, looks at something


def _symptom(
    name: tuple[str, str | None],
    looks: Sequence[Action],
    went_on_ns: Sequence[int],
    off: Sequence[tuple[int, int]],
    last_ns: int,
) -> Symptom:
    what, controller = name
    could = without((looks[0].time_ns, max(last_ns, looks[-1].time_ns, looks[0].time_ns + 1)), off)
    restarts = [(down_ns, back_ns if back_ns < last_ns else None) for down_ns, back_ns in off]
    all_looks = _all_looks(looks, went_on_ns, could)
    spans = cut_at_restarts(_spans(looks, went_on_ns, off), restarts, could)
    return Symptom(
        kind=SymptomKind.SEEN,
        name=f"seen:{what}" if what else "seen",
        text="written down by the person who saw it",
        controller=controller,
        spans=tuple(_from_its_first_look(span, all_looks) for span in spans),
        observable=could,
        latency_ns=_LATENCY_NS,
        errs=_ERRS,
        looks=all_looks,
    )


def _from_its_first_look(span: ShowingSpan, looks: Sequence[tuple[int, bool]]) -> ShowingSpan:
    """Let what shows after a start be seen by the first look after it, and not by the start."""
    ends_ns = span.gone_ns
    seen_ns = [t for t, shows in looks if shows and t >= span.since_ns and (ends_ns is None or t < ends_ns)]
    if not seen_ns:
        return span
    return replace(span, since_ns=seen_ns[0], still_ns=max(span.still_ns, seen_ns[0]))


def _all_looks(
    looks: Sequence[Action], went_on_ns: Sequence[int], could: Sequence[tuple[int, int]]
) -> tuple[tuple[int, bool], ...]:
    """Give the looks that were written down, and those in between that saw nothing new.

    Who goes on to the next step has looked, and who waits for long looks up meanwhile.
    """
    found: list[tuple[int, bool]] = []
    for look, after in zip(looks, [*looks[1:], None], strict=True):
        shows, until_ns = look.kind is ActionKind.SEEN, could[-1][1] if after is None else after.time_ns
        found.append((look.time_ns, shows))
        steps_ns = [t for t in went_on_ns if look.time_ns < t and t + _BEFORE_STEP_NS < until_ns]
        for at_ns in (*steps_ns, until_ns):
            since_ns = found[-1][0]
            found += [(t, shows) for t in range(at_ns - LOOKS_WITHIN_NS, since_ns, -LOOKS_WITHIN_NS)][::-1]
            if at_ns < until_ns:
                found.append((at_ns, shows))
    return tuple(one for one in found if any(a <= one[0] <= b for a, b in could))


def _spans(looks: Sequence[Action], went_on_ns: Sequence[int], off: Sequence[tuple[int, int]]) -> list[ShowingSpan]:
    """Join the looks to showings; one that begins after the power came back began with it at the earliest."""
    spans: list[ShowingSpan] = []
    since_ns = still_ns = 0
    not_yet_ns: int | None = None
    shows = False
    before: Action | None = None
    for look in looks:
        # A press just before a step is what the look before that step brought.
        last_on_ns = max((t for t in went_on_ns if t + _BEFORE_STEP_NS < look.time_ns), default=0)
        within_ns = max(look.time_ns - LOOKS_WITHIN_NS, last_on_ns)
        if look.kind is ActionKind.SEEN:
            if not shows:
                since_ns = look.time_ns
                not_yet_ns = None if before is None else max(before.time_ns, within_ns)
            shows, still_ns = True, look.time_ns
        elif shows:
            ended_ns = _ended_by_power(still_ns, look.time_ns, off)
            spans.append(
                ShowingSpan(
                    since_ns=since_ns,
                    not_yet_ns=not_yet_ns,
                    still_ns=min(max(still_ns, within_ns), ended_ns),
                    gone_ns=ended_ns,
                )
            )
            shows = False
        before = look
    if shows:
        spans.append(ShowingSpan(since_ns=since_ns, not_yet_ns=not_yet_ns, still_ns=still_ns, gone_ns=None))
    return spans


def _ended_by_power(still_ns: int, gone_ns: int, off: Sequence[tuple[int, int]]) -> int:
    """Give when it ended: with the power, where that was off between the last look with it and the first without."""
    return next((down_ns for down_ns, _ in off if still_ns <= down_ns <= gone_ns), gone_ns)
