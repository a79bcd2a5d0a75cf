"""The verdict in a sentence or two: what a tired person reads first."""

from collections import Counter
from collections.abc import Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import ELSEWHERE, Suspect
from busdoc.words.duration import duration
from busdoc.words.probability import odds

__all__ = ["act_in_words", "bus_in_words", "headline", "likely_parts"]

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
        return f"{_in_step(result, seen, length)}{away}."
    sentences = [_what_happened(result, length), *_silences_in_words(result)] if trouble.incidents else []
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


def _in_step(result: Result, seen: Sequence[ControllerHealth], length: str) -> str:
    """Say what was found healthy, and no more than the traffic can show."""
    rhythmic = [controller for controller in seen if any(stream.cyclic for stream in controller.streams)]
    if not rhythmic:
        return f"No controller was lost in {length}; but none sends in a rhythm, so a short loss would not have shown"
    bare = all(controller.name.startswith("id 0x") for controller in rhythmic)
    what = "identifier" if bare else "controller"
    text = f"Healthy: {_all_of(len(rhythmic), what)} in step over {length}"
    if bare:
        text += " (no map or database says which controller sends which)"
    if len(rhythmic) < len(seen):
        n_quiet = len(seen) - len(rhythmic)
        text += f"; {n_quiet} more {'sends' if n_quiet == 1 else 'send'} in no rhythm that would show a loss"
    return text


def _what_happened(result: Result, length: str) -> str:
    incidents = [result.incidents[n] for n in result.trouble.incidents]
    fell = Counter(name for i in incidents if i.kind is IncidentKind.DROPOUT for name in i.controllers)
    restarts = Counter(name for i in incidents if i.kind is IncidentKind.RESTART for name in i.controllers)
    late = Counter(name for i in incidents if i.kind is IncidentKind.LATE for name in i.controllers)
    silences = [i for i in incidents if i.kind is IncidentKind.BUS_SILENCE]
    said = []
    if fell:
        said.append(f"{_counted(fell, 'dropped off the bus')}{_how(incidents, fell)}")
    if restarts:
        said.append(_counted(restarts, "restarted"))
    for bus, n in Counter(bus_in_words(result, i) for i in silences).items():
        said.append(f"{bus} fell silent {_times(n)}")
    if late and not fell:
        said.append(_counted(late, "sent late"))
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]} in {length}."


def bus_in_words(result: Result, silence: Incident) -> str:
    """Name the bus that fell silent: by its channel where the capture has several."""
    if len(result.capture.channel_names) < 2 or silence.channel is None:
        return "the whole bus"
    return f"the whole bus on {dict(result.capture.channel_names).get(silence.channel, str(silence.channel))}"


def _how(incidents: list[Incident], fell: Counter[str]) -> str:
    ways = {i.ran_on for i in incidents if i.kind is IncidentKind.DROPOUT}
    if ways == {RanOn.RESTARTED}:
        return " and restarted each time" if max(fell.values()) > 1 else " and restarted"
    if ways == {RanOn.KEPT_RUNNING}:
        return " while running on (unheard, not dead)"
    return ""


def _silences_in_words(result: Result) -> list[str]:
    """Say what the silences of the whole bus point to."""
    silences = [
        result.incidents[n] for n in result.trouble.incidents if result.incidents[n].kind is IncidentKind.BUS_SILENCE
    ]
    ways = {silence.ran_on for silence in silences}
    which = "this silence" if len(silences) == 1 else "these silences"
    if ways == {RanOn.KEPT_RUNNING}:
        return [f"The controllers ran on through {which}: look at the bus itself, or the recorder's own lead."]
    if ways != {RanOn.RESTARTED}:
        return []
    switched = any(a.kind in _POWER and a.part is None for a in result.seen)
    doubt = ", or somebody switched the machine off and on and no journal tells" if switched else ""
    return [f"Every controller restarted after {which}: look at the supply{doubt}."]


def _counted(names: Counter[str], what: str) -> str:
    groups: dict[int, list[str]] = {}
    for name, n in names.most_common():
        groups.setdefault(n, []).append(name)
    parts = []
    for n, members in groups.items():
        parts.append(f"{_listed(members)} {what} {_times(n)}{' each' if len(members) > 1 else ''}")
    return ", ".join(parts)


def _times(n: int) -> str:
    return "once" if n == 1 else "twice" if n == 2 else f"{n} times"


def _listed(names: Sequence[str]) -> str:
    shown = list(names[:5])
    if len(names) > 5:
        return f"{', '.join(shown)} and {len(names) - 5} more"
    if len(shown) == 1:
        return shown[0]
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def _all_of(n: int, what: str) -> str:
    return f"the one {what} was" if n == 1 else f"both {what}s were" if n == 2 else f"all {n} {what}s were"


def _what_did_it(result: Result) -> list[str]:
    by_n = {action.n: action for action in result.actions}
    numbers: dict[str, list[int]] = {}
    answers: Counter[str] = Counter()
    best: dict[str, float] = {}
    alone = 0
    for n in result.trouble.incidents:
        because = result.because[n]
        if because.action is None or because.action not in by_n:
            alone += 1
            continue
        act = act_in_words(by_n[because.action])
        if because.action not in numbers.setdefault(act, []):
            numbers[act].append(because.action)
        answers[act] += 1
        best[act] = max(best.get(act, 0.0), because.probability)
    if not answers:
        return [f"No recorded action explains {'it' if alone == 1 else 'them'}."] if alone and result.actions else []
    acts = [f"{act} ({_numbered(numbers[act])}, {odds(best[act])})" for act, _ in answers.most_common(3)]
    subject = "It answers" if answers.total() == 1 and not alone else "They answer"
    text = f"{subject} to {' and to '.join(acts)}"
    if len(answers) > 3:
        text += f" and to {len(answers) - 3} more"
    return [f"{text}; {alone} more came with no action near." if alone else f"{text}."]


def _numbered(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"action {numbers[0]}"
    return f"actions {', '.join(str(n) for n in numbers[:-1])} and {numbers[-1]}"


def _which_part(result: Result) -> list[str]:
    likely = likely_parts(result)
    if not likely:
        return []
    first = likely[0]
    if first.part == ELSEWHERE and first.probability >= _NAMED_FROM and not result.machine.parts:
        where = "supply, wiring or a branch, which no map shows"
        return [f"It lies in {where}, rather than in a controller ({odds(first.probability)})."]
    if first.part == ELSEWHERE and first.probability >= _NAMED_FROM:
        return [f"No part on the map explains it (elsewhere, {odds(first.probability)})."]
    named = [s for s in likely if s.probability >= _NAMED_FROM and s.part != ELSEWHERE]
    others = [
        f"{'a part that the map does not show' if s.part == ELSEWHERE else s.part} {odds(s.probability)}"
        for s in likely
        if s not in named
    ]
    if not named:
        return [f"Suspects: {', '.join(others)}."]
    text = (
        f"Part{'s' * (len(named) > 1)} at fault: " + ", ".join(f"{s.part} ({odds(s.probability)})" for s in named) + "."
    )
    if others:
        text += f" Suspected beside: {', '.join(others)}."
    return [text]
