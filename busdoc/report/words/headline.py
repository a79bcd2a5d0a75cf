"""The verdict in a sentence or two: what a tired person reads first."""

from collections import Counter
from collections.abc import Sequence

from busdoc.actions.action import POWER_KINDS, REMARKS
from busdoc.actions.words import act_in_words
from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import NORMAL_LIFE, Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import Because
from busdoc.report.words.conclusion import conclusion_in_words
from busdoc.report.words.incidents import (
    DROPPED_OFF,
    FELL_SILENT,
    RESTARTED,
    bus_in_words,
    how_often,
    incident_in_words,
)
from busdoc.report.words.practice import PRACTICE_MARK
from busdoc.report.words.returns import failure_of
from busdoc.report.words.symptoms import complaint_in_words
from busdoc.symptoms.symptom import Symptom, SymptomKind
from busdoc.times import SECOND_NS
from busdoc.words.counting import all_of, by_box, counted, listed, plural, times
from busdoc.words.duration import duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["headline"]

_MOST_NAMES = 5


def headline(result: Result) -> str:
    """Say what happened, what did it, and which part is suspected; or that all is well; and where it was practice."""
    said = _headline(result)
    return f"{PRACTICE_MARK}: {said}" if result.capture.practice else said


def _headline(result: Result) -> str:
    trouble = result.trouble
    length = duration(result.health.until_ns - result.health.start_ns)
    seen = [controller for controller in result.health.controllers if controller.first_ns is not None]
    if not trouble and result.complaint is None:
        expected = sum(because.expected for because in result.because)
        if not seen:
            return f"No controller was recognised in {length} of traffic: it tells nothing."
        if result.tells_nothing:
            return f"No verdict: {length} of traffic is too short to tell whether anything is wrong."
        away = (
            f"; the {expected} losses are all explained by what was done"
            if expected > 1
            else "; the one loss is explained by what was done"
            if expected
            else ""
        )
        return " ".join((f"{_in_step(result, seen, length)}{away}.", *_normal_life(result)))
    sentences = [_what_happened(result, length), *_silences_in_words(result)] if trouble.incidents else []
    if trouble.never_seen:
        names = listed(trouble.never_seen, _MOST_NAMES)
        sentences.append(f"Never heard in {length}: {names}.")
    if not trouble.incidents and trouble.codes:
        n_codes = len(trouble.codes)
        were = plural(n_codes, "was", "were")
        sentences.append(f"No controller was lost over {length}, but {counted(n_codes, 'fault code')} {were} raised.")
    if not trouble.incidents and trouble.failed_returns:
        sentences.append(_failed_returns(result))
    if result.complaint is not None:
        sentences.append(_complaint(result))
    sentences += _normal_life(result)
    sentences += _what_did_it(result)
    sentences += conclusion_in_words(result.conclusion, mapped=bool(result.machine.parts))
    return " ".join(sentences)


def _normal_life(result: Result) -> list[str]:
    """Say what the machine did beside, in one sentence."""
    count = Counter(one.kind for one in result.incidents if one.kind in NORMAL_LIFE)
    said = []
    if count[IncidentKind.CRANK]:
        tried = sum(bool(one.why) for one in result.incidents if one.kind is IncidentKind.CRANK)
        started = count[IncidentKind.CRANK] - tried
        said += [f"its engine was started{_often(started)}"] if started else []
        said += [f"a start was tried{_often(tried)}"] if tried else []
    if count[IncidentKind.POWER_UP]:
        said.append(f"more of it was switched on{_often(count[IncidentKind.POWER_UP])}")
    if count[IncidentKind.POWER_CYCLE]:
        said.append(f"it was switched off and on{_often(count[IncidentKind.POWER_CYCLE])}, or its bus slept")
    if count[IncidentKind.POWER_DOWN]:
        said.append("it was switched off at the end")
    return [f"The machine did what machines do: {', and '.join(said)}."] if said else []


def _often(n: int) -> str:
    return "" if n == 1 else f" {times(n)}"


def _complaint(result: Result) -> str:
    assert result.complaint is not None
    health, epoch = result.health, result.capture.epoch
    said = complaint_in_words(result.complaint, until_ns=health.until_ns, start_ns=health.start_ns, epoch=epoch)
    return f"{capital(said)}."


def _failed_returns(result: Result) -> str:
    failed = result.trouble.failed_returns
    numbers = listed([f"{n + 1}" for n in failed], _MOST_NAMES)
    which = plural(len(result.resync), "the power-up", f"power-up {numbers}")
    said = dict.fromkeys(failure_of(result.resync[n]) or "" for n in failed)
    return f"After {which} {'; '.join(text for text in said if text)}."


def _in_step(result: Result, seen: Sequence[ControllerHealth], length: str) -> str:
    """Say what was found healthy, and no more than the traffic can show."""
    rhythmic = [controller for controller in seen if any(stream.cyclic for stream in controller.streams)]
    if not rhythmic:
        return f"No controller was lost in {length}; but none sends in a rhythm, so a short loss would not have shown"
    bare = all(controller.name.startswith("id 0x") for controller in rhythmic)
    what = "identifier" if bare else "controller"
    # identifiers that come and go together stand for one another: each of them counts
    n = sum(stream.cyclic for controller in rhythmic for stream in controller.streams) if bare else len(rhythmic)
    text = f"Healthy: {all_of(n, what)} {plural(n, 'was', 'were')} in step over {length}"
    if bare:
        text += " (no map or database says which controller sends which)"
    if len(rhythmic) < len(seen) or (bare and n < sum(len(one.streams) for one in seen)):
        n_quiet = sum(len(one.streams) for one in seen) - n if bare else len(seen) - n
        text += f"; {n_quiet} more {plural(n_quiet, 'sends', 'send')} in no rhythm that would show a loss"
    return text


def _what_happened(result: Result, length: str) -> str:
    incidents = [result.incidents[n] for n in result.trouble.incidents]
    fell = Counter(name for i in incidents if i.kind is IncidentKind.DROPOUT for name in i.controllers)
    spells = [i for i in incidents if i.kind is IncidentKind.RESTARTING]
    restarts = Counter(name for i in incidents if i.kind is IncidentKind.RESTART for name in i.controllers)
    late = Counter(name for i in incidents if i.kind is IncidentKind.LATE for name in i.controllers)
    silences = [i for i in incidents if i.kind is IncidentKind.BUS_SILENCE]
    said = [f"{incident_in_words(i)} ({how_often(i)})" for i in spells[:_MOST_NAMES]]
    if len(spells) > _MOST_NAMES:
        said.append(f"and {len(spells) - _MOST_NAMES} times more")
    if fell:
        boxes = [box.controllers for box in result.health.boxes]
        said.append(f"{_grouped(fell, DROPPED_OFF, boxes)}{_how(incidents, fell)}")
    if restarts:
        said.append(_grouped(restarts, RESTARTED))
    for bus, n in Counter(bus_in_words(i, result.capture.channel_names) for i in silences).items():
        said.append(f"{bus} {FELL_SILENT} {times(n)}")
    if late:
        said.append(_grouped(late, "sent late"))
    return f"{capital('; '.join(said))} in {length}."


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
    which = plural(len(silences), "this silence", "these silences")
    if ways == {RanOn.KEPT_RUNNING}:
        return [f"The controllers ran on through {which}: look at the bus itself, or the recorder's own lead."]
    if ways != {RanOn.RESTARTED}:
        return []
    switched = not any(a.kind in POWER_KINDS for a in result.actions)
    doubt = ", or somebody switched the machine off and on and no journal tells" if switched else ""
    return [f"Every controller restarted after {which}: look at the supply{doubt}."]


def _grouped(names: Counter[str], what: str, boxes: Sequence[Sequence[str]] = ()) -> str:
    groups: dict[int, list[str]] = {}
    for name, n in names.most_common():
        groups.setdefault(n, []).append(name)
    parts = []
    for n, group in groups.items():
        members = by_box(group, [box for box in boxes if {*box} <= {*group}])
        parts.append(f"{listed(members, _MOST_NAMES)} {what} {times(n)}{' each' if len(members) > 1 else ''}")
    return ", ".join(parts)


def _what_did_it(result: Result) -> list[str]:
    by_n = {action.n: action for action in result.actions}
    numbers: dict[str, list[int]] = {}
    answers: Counter[str] = Counter()
    best: dict[str, float] = {}
    alone, sure = 0, True
    for because in _asked_about(result):
        if because.action is None or because.action not in by_n:
            alone += 1
            sure = sure and because.spontaneous >= _SURE
            continue
        act = act_in_words(by_n[because.action])
        if because.action not in numbers.setdefault(act, []):
            numbers[act].append(because.action)
        answers[act] += 1
        best[act] = max(best.get(act, 0.0), because.probability)
    if not answers:
        if not alone or not result.actions or _followed_an_action(result):
            return []
        return [f"No recorded action explains {plural(alone, 'it', 'them')}."]
    acts = []
    for act, _ in answers.most_common(3):
        which = f"{plural(len(numbers[act]), 'action')} {listed(numbers[act])}"
        acts.append(f"{act} ({which}, {odds(best[act])})")
    k = answers.total()
    if alone:
        subject = plural(k, "One of them answers", f"{k} of them answer")
    else:
        subject = plural(k, "It answers", "They answer")
    if len(answers) > 3:
        acts.append(f"{len(answers) - 3} more")
    text = f"{subject} {listed([f'to {act}' for act in acts])}"
    if not alone:
        return [f"{text}."]
    others = plural(alone, "the other", "the others")
    rest = f"no action explains {others}" if sure else f"whether one explains {others} is not sure"
    return [f"{text}; {rest}."]


_SURE = 0.8
"""From this probability on it is said that no action explains something (common practice)."""
_SOON_NS = 15 * SECOND_NS
"""What comes so soon after a plug may be its answer, whatever else explains it (common practice)."""
_LATE_PRESS_NS = 3 * SECOND_NS
"""So long after a plug its press may be written down (common practice: half a second, seldom three)."""


def _followed_an_action(result: Result) -> bool:
    """Say whether anything came soon after something was plugged or switched: then the part's reasons speak of it.

    Of restarts over and over each may have.
    """
    done_ns = [action.time_ns for action in result.actions if action.kind not in REMARKS]
    fell = [result.incidents[n] for n in result.trouble.incidents]
    came = [(t_ns, t_ns) for one in fell for t_ns in [loss.onset_ns for loss in one.losses] or [one.onset_ns]]
    came += _came(result.complaint)
    return any(to_ns - at > -_LATE_PRESS_NS and from_ns - at < _SOON_NS for from_ns, to_ns in came for at in done_ns)


def _came(complaint: Symptom | None) -> list[tuple[int, int]]:
    """Give within what (from, to) each showing of the complaint came.

    A person sees it when they look, which may be long after: what was done since it was last gone may have brought it.
    """
    if complaint is None:
        return []
    came, gone_ns = [], None
    for span in complaint.spans:
        first_ns = span.since_ns if span.not_yet_ns is None else span.not_yet_ns
        if complaint.kind is SymptomKind.SEEN and gone_ns is not None:
            first_ns = min(first_ns, gone_ns)
        came.append((first_ns, span.since_ns))
        gone_ns = span.gone_ns
    return came


def _asked_about(result: Result) -> list[Because]:
    """Give the answers of what the verdict speaks of."""
    if result.complaint is not None:
        return [because for _, because in result.answers]
    return [result.because[n] for n in result.trouble.incidents]
