"""The record's part on what happened: each incident, or each kind of many, what was done, and the returns."""

from collections.abc import Iterator, Sequence

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.words import act_in_words
from busdoc.analysis.overview import LikeIncidents, action_behind, incidents_to_tell, like_incidents, silent_ns
from busdoc.analysis.result import Result
from busdoc.health.incident import FramesAround, Incident, IncidentKind, RanOn
from busdoc.report.record.page import Align, Block, Column, Fold, Items, Section, Table, Text, Tone
from busdoc.report.record.pages.photographs import photographs
from busdoc.report.record.pictures.incident import HOW_TO_READ, incident_picture
from busdoc.report.words.incidents import answer_in_words, incident_in_words, onset_in_words, ran_on_in_words
from busdoc.report.words.spells import spell_in_words
from busdoc.times import SECOND_NS, clock
from busdoc.words.counting import counted, plural
from busdoc.words.duration import duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["actions_section", "incidents_section"]

_MOST_ALONE = 10
"""So many incidents are told one by one; more are told by kind."""
_MOST_PICTURES = 6
_MOST_EVIDENCE = 3
"""Controllers whose evidence stands in the open."""
_MOST_ROWS = 500

_INCIDENTS = (
    Column(name="No.", align=Align.RIGHT, weight=0.4),
    Column(name="When", weight=1.5),
    Column(name="What", weight=2.2),
    Column(name="Silent for", align=Align.RIGHT, weight=0.9),
    Column(name="Restarted?", weight=1.2),
    Column(name="Answers to", weight=2.0),
)
_RESTARTS = (
    Column(name="No.", align=Align.RIGHT, weight=0.4),
    Column(name="Controller", weight=1.5),
    Column(name="Last frame before", weight=1.6),
    Column(name="Away for", align=Align.RIGHT, weight=0.9),
    Column(name="Restarted?", weight=1.4),
)
_ACTIONS = (
    Column(name="No.", align=Align.RIGHT, weight=0.4),
    Column(name="When", weight=1.6),
    Column(name="What was done", weight=2.4),
    Column(name="Time ±", align=Align.RIGHT, weight=0.7),
    Column(name="Known from", weight=0.9),
    Column(name="Note", weight=1.8),
)
_FRAMES = (
    Column(name="Identifier", code=True, weight=1.2),
    Column(name="From the last frame", align=Align.RIGHT),
    Column(name="Payload", code=True, weight=2.0),
    Column(name="Side", weight=1.0),
)


def incidents_section(result: Result) -> Section | None:
    """Tell every incident, one by one or by kind; fault codes have their own section."""
    numbers = incidents_to_tell(result)
    if not numbers:
        quiet = Text(text="No controller was lost, late or restarted.", tone=Tone.GOOD)
        return Section(title="What happened", anchor="incidents", blocks=(quiet,))
    blocks: list[Block | Section] = [Text(text=HOW_TO_READ, tone=Tone.QUIET)]
    if len(numbers) <= _MOST_ALONE:
        blocks += [_alone(result, n) for n in numbers]
    else:
        groups = like_incidents(result, numbers)
        kinds = plural(len(groups), "one kind, shown", f"{len(groups)} kinds, each shown") + " by a typical one"
        said = f"{len(numbers)} incidents of {kinds}."
        blocks.insert(0, Text(text=said))
        blocks += [_group(result, group, pictured=k < _MOST_PICTURES) for k, group in enumerate(groups)]
        blocks.append(Fold(title=f"All {len(numbers)} incidents", blocks=(_table(result, numbers),)))
    return Section(title="What happened", anchor="incidents", blocks=tuple(blocks))


def _when(result: Result, t_ns: int) -> str:
    return clock(t_ns, result.health.start_ns, epoch=result.capture.epoch)


def _alone(result: Result, n: int) -> Section:
    incident = result.incidents[n - 1]
    title = f"{n}. {_when(result, incident.onset_ns)}: {onset_in_words(incident, result.capture.channel_names)}"
    return Section(title=title, anchor=f"incident-{n}", blocks=tuple(_told(result, n)), level=3)


def _told(result: Result, n: int) -> Iterator[Block]:
    """Give the answer, the evidence, the picture and the frames of one incident."""
    incident, because = result.incidents[n - 1], result.because[n - 1]
    by_n = {action.n: action for action in result.actions}
    if incident.kind is not IncidentKind.CAPTURE_GAP:
        yield Text(text=answer_in_words(because, by_n))
    other = [(k, p) for k, p in because.weights if k != because.action and p >= 0.01 and k in by_n][:3]
    if other:
        said = "; ".join(f"{act_in_words(by_n[k])} (action {k}, {odds(p)})" for k, p in other)
        yield Text(text=f"Less likely: {said}; none of them {odds(because.spontaneous)}.", tone=Tone.QUIET)
    evidence = _evidence(incident) if incident.kind is not IncidentKind.RESTARTING else ()
    if len(evidence) > _MOST_EVIDENCE:
        yield Fold(title="Restarted or kept running, controller by controller", blocks=(Items(items=evidence),))
    elif evidence:
        yield Items(items=evidence)
    reasons = _other_reasons(incident)
    if reasons:
        yield Items(items=reasons)
    if incident.kind is IncidentKind.RESTARTING:
        yield Items(items=spell_in_words(result, incident))
        yield Fold(title=f"All {len(incident.losses)} times that it was away", blocks=(_restarts(result, incident),))
        return
    if incident.kind not in (IncidentKind.CODE, IncidentKind.CAPTURE_GAP):
        yield incident_picture(result, n)
    around = [frames for loss in incident.losses[:1] for frames in loss.frames]
    if around and not because.expected:
        yield Fold(title="Last frames", blocks=(_frames(around, incident.last_seen_ns),))


def _restarts(result: Result, incident: Incident) -> Table:
    """List every restart of a spell."""
    rows = [
        (
            str(n),
            loss.controller,
            _when(result, loss.last_seen_ns),
            "to the end" if loss.back_ns is None else duration(loss.back_ns - loss.last_seen_ns),
            ran_on_in_words(loss.ran_on, loss.p_restarted),
        )
        for n, loss in enumerate(incident.losses[:_MOST_ROWS], start=1)
    ]
    return Table(title="Restarts", columns=_RESTARTS, rows=tuple(rows), more=len(incident.losses) - len(rows))


def _evidence(incident: Incident) -> tuple[str, ...]:
    """Say of each controller whether it restarted, and what speaks for that."""
    return tuple(
        f"{loss.controller} {_ran_on_sentence(loss.ran_on, loss.p_restarted)}"
        + (f": {'; '.join(loss.evidence)}." if loss.evidence else ".")
        for loss in incident.losses
        if loss.evidence or loss.ran_on is not RanOn.UNKNOWN
    )


def _other_reasons(incident: Incident) -> tuple[str, ...]:
    """Give the incident's own reasons without those that its controllers have given."""
    said = {text for loss in incident.losses for text in loss.evidence}
    said |= {f"{loss.controller}: {text}" for loss in incident.losses for text in loss.evidence}
    return tuple(text for text in incident.why if text not in said)


def _ran_on_sentence(ran_on: RanOn, p_restarted: float | None) -> str:
    if ran_on is RanOn.UNKNOWN:
        return "may have restarted or kept running"
    return ran_on_in_words(ran_on, p_restarted)


def _frames(around: Sequence[FramesAround], zero_ns: int) -> Table:
    rows = []
    for frames in around[:4]:
        sides = [(*frame, "before") for frame in frames.before[-4:]] + [(*frame, "after") for frame in frames.after[:2]]
        rows += [
            (str(frames.stream), f"{(t_ns - zero_ns) / SECOND_NS:+.4f} s", payload.hex(" ").upper(), side)
            for t_ns, payload, side in sides
        ]
    return Table(title="Last frames before, first frames after", columns=_FRAMES, rows=tuple(rows))


def _group(result: Result, group: LikeIncidents, *, pictured: bool) -> Section:
    first, n_times = group.numbers[0], len(group.numbers)
    what = incident_in_words(result.incidents[first - 1], result.capture.channel_names)
    title = f"{capital(what)}, {counted(n_times, 'time')}"
    blocks: list[Block] = []
    if n_times > 1:
        said = f"First {_when(result, result.incidents[first - 1].onset_ns)}, "
        said += f"last {_when(result, result.incidents[group.numbers[-1] - 1].onset_ns)}."
        is_restart = result.incidents[first - 1].kind is IncidentKind.RESTART
        if group.shortest_ns is not None and group.longest_ns is not None and not is_restart:
            said += f" Silent for {duration(group.shortest_ns)} to {duration(group.longest_ns)}."
        blocks.append(Text(text=said))
    if pictured:
        shown = f"Shown: incident {group.typical}, {_when(result, result.incidents[group.typical - 1].onset_ns)}."
        blocks += [Text(text=shown, tone=Tone.QUIET), *_told(result, group.typical)]
    return Section(title=title, anchor=f"incidents-from-{first}", blocks=tuple(blocks), level=3)


def _table(result: Result, numbers: Sequence[int]) -> Table:
    rows = []
    for n in numbers[:_MOST_ROWS]:
        incident, because = result.incidents[n - 1], result.because[n - 1]
        action = action_behind(result, because)
        answer = (
            "none" if action is None else f"{act_in_words(action)} (action {action.n}, {odds(because.probability)})"
        )
        rows.append(
            (
                str(n),
                _when(result, incident.onset_ns),
                incident_in_words(incident, result.capture.channel_names),
                "to the end" if incident.back_ns is None else duration(silent_ns(incident)),
                ran_on_in_words(incident.ran_on, incident.p_restarted),
                f"expected: {answer}" if because.expected else answer,
            )
        )
    return Table(title="Incidents", columns=_INCIDENTS, rows=tuple(rows), more=len(numbers) - len(rows))


def actions_section(result: Result) -> Section | None:
    """List what was done; None when nothing is recorded."""
    if not result.actions:
        return None
    rows = tuple(
        (
            str(action.n),
            _when(result, action.time_ns),
            act_in_words(action) if action.kind is not ActionKind.MARK else "mark",
            duration(action.uncertainty_ns),
            _known_from(action),
            action.note or "–",
        )
        for action in result.actions[:_MOST_ROWS]
    )
    table = Table(title="Actions", columns=_ACTIONS, rows=rows, more=len(result.actions) - len(rows))
    return Section(title="What was done", anchor="actions", blocks=(table, *photographs(result)))


def _known_from(action: Action) -> str:
    source = "the journal" if action.origin is Origin.JOURNAL else f"the {action.origin}"
    return f"{source}, by {action.by}" if action.by else source
