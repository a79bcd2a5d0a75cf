"""The verdict in a sentence or two: what a tired person reads first."""

from collections import Counter
from collections.abc import Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import ELSEWHERE, Suspect
from busdoc.report.odds import odds
from busdoc.report.result import Result
from busdoc.report.times import duration

__all__ = ["act_in_words", "headline", "likely_parts"]

_NAMED_FROM = 0.8
"""A part is called the culprit from here on; below, the likeliest are listed as suspects."""

_DONE = {
    ActionKind.PLUG: "plugging {part} in",
    ActionKind.UNPLUG: "unplugging {part}",
    ActionKind.POWER_OFF: "switching {part} off",
    ActionKind.POWER_ON: "switching {part} on",
    ActionKind.POWER_CYCLE: "cycling the power of {part}",
    ActionKind.SWAP: "swapping {part} with {into}",
    ActionKind.WIGGLE: "wiggling {part}",
    ActionKind.REPLACE: "replacing {part}",
    ActionKind.MARK: "the mark {note}",
}
_POWER = (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


def act_in_words(action: Action) -> str:
    """Say what was done, as the object of a sentence.

    >>> from busdoc.actions.action import Action, ActionKind
    >>> act_in_words(Action(n=1, time_ns=0, uncertainty_ns=0, kind=ActionKind.PLUG, part="harness-A"))
    'plugging harness-A in'
    """
    part = action.part or ("the machine" if action.kind in _POWER else "it")
    return _DONE[action.kind].format(part=part, into=action.into or "another", note=f'"{action.note}"').rstrip()


def likely_parts(result: Result) -> tuple[Suspect, ...]:
    """Give the suspects that are worth naming, highest first."""
    if result.isolation is None:
        return ()
    return tuple(s for s in result.isolation.suspects if s.probability >= 0.1)[:4]


def headline(result: Result) -> str:
    """Say what happened, what did it, and which part is suspected; or that all is well."""
    trouble = result.trouble
    length = duration(result.health.until_ns - result.health.start_ns)
    seen = [controller for controller in result.health.controllers if controller.first_ns is not None]
    if not trouble:
        expected = sum(because.expected for because in result.because)
        if not seen:
            return f"No controller was recognised in {length} of traffic."
        away = (
            f"; the {expected} losses are all explained by what was done"
            if expected > 1
            else "; the one loss is explained by what was done"
            if expected
            else ""
        )
        return f"Healthy: {_controllers(len(seen))} in step over {length}{away}."
    sentences = [_what_happened(result, length)] if trouble.incidents else []
    if trouble.never_seen:
        names = _listed(trouble.never_seen)
        sentences.append(f"Never heard in {length}: {names}.")
    if not trouble.incidents and trouble.codes:
        n_codes = len(trouble.codes)
        sentences.append(
            f"No controller was lost over {length}, but {n_codes} fault code{'s' * (n_codes != 1)} "
            f"{'were' if n_codes != 1 else 'was'} raised."
        )
    sentences += _what_did_it(result)
    sentences += _which_part(result)
    return " ".join(sentences)


def _what_happened(result: Result, length: str) -> str:
    incidents = [result.incidents[n] for n in result.trouble.incidents]
    fell = Counter(name for i in incidents if i.kind is IncidentKind.DROPOUT for name in i.controllers)
    restarts = Counter(name for i in incidents if i.kind is IncidentKind.RESTART for name in i.controllers)
    late = Counter(name for i in incidents if i.kind is IncidentKind.LATE for name in i.controllers)
    silences = [i for i in incidents if i.kind is IncidentKind.BUS_SILENCE]
    said = []
    if fell:
        said.append(f"{_counted(fell, 'dropped off the bus')}{_how(incidents)}")
    if restarts:
        said.append(_counted(restarts, "restarted"))
    if silences:
        times = "" if len(silences) == 1 else f" {len(silences)} times"
        said.append(f"the whole bus fell silent{times}{_how_silent(result)}")
    if late and not fell:
        said.append(_counted(late, "sent late"))
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]} in {length}."


def _how(incidents: list[Incident]) -> str:
    ways = {i.ran_on for i in incidents if i.kind is IncidentKind.DROPOUT}
    if ways == {RanOn.RESTARTED}:
        return " and restarted each time" if len(incidents) > 1 else " and restarted"
    if ways == {RanOn.KEPT_RUNNING}:
        return " while running on (unheard, not dead)"
    return ""


def _how_silent(result: Result) -> str:
    kinds = {
        result.incidents[n].ran_on
        for n in result.trouble.incidents
        if result.incidents[n].kind is IncidentKind.BUS_SILENCE
    }
    if kinds == {RanOn.RESTARTED}:
        return " and every controller restarted, which points to the supply"
    if kinds == {RanOn.KEPT_RUNNING}:
        return " while the controllers ran on: the bus itself, or the recorder's own lead"
    return ""


def _counted(names: Counter[str], what: str) -> str:
    groups: dict[int, list[str]] = {}
    for name, n in names.most_common():
        groups.setdefault(n, []).append(name)
    parts = []
    for n, members in groups.items():
        times = "once" if n == 1 else "twice" if n == 2 else f"{n} times"
        parts.append(f"{_listed(members)} {what} {times}{' each' if len(members) > 1 and n > 1 else ''}")
    return ", ".join(parts)


def _listed(names: Sequence[str]) -> str:
    shown = list(names[:5])
    if len(names) > 5:
        return f"{', '.join(shown)} and {len(names) - 5} more"
    if len(shown) == 1:
        return shown[0]
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def _controllers(n: int) -> str:
    return "the one controller was" if n == 1 else f"all {n} controllers were"


def _what_did_it(result: Result) -> list[str]:
    by_n = {action.n: action for action in result.actions}
    answers: Counter[int] = Counter()
    best: dict[int, float] = {}
    alone = 0
    for n in result.trouble.incidents:
        because = result.because[n]
        if because.action is None or because.action not in by_n:
            alone += 1
            continue
        answers[because.action] += 1
        best[because.action] = max(best.get(because.action, 0.0), because.probability)
    if not answers:
        return ["No recorded action explains it."] if alone and result.actions else []
    acts = [f"{act_in_words(by_n[n])} (action {n}, {odds(best[n])})" for n, _ in answers.most_common(3)]
    text = f"It answers to {' and to '.join(acts)}."
    if alone:
        text += f" {alone} more came with no action near."
    return [text]


def _which_part(result: Result) -> list[str]:
    likely = likely_parts(result)
    if not likely:
        return []
    first = likely[0]
    if first.part == ELSEWHERE:
        return [f"No part on the map explains it (elsewhere, {odds(first.probability)})."]
    named = [s for s in likely if s.probability >= _NAMED_FROM and s.part != ELSEWHERE]
    others = [f"{s.part} {odds(s.probability)}" for s in likely if s not in named]
    if not named:
        return [f"Suspects: {', '.join(others)}."]
    text = (
        f"Part{'s' * (len(named) > 1)} at fault: " + ", ".join(f"{s.part} ({odds(s.probability)})" for s in named) + "."
    )
    if others:
        text += f" Suspected beside: {', '.join(others)}."
    return [text]
