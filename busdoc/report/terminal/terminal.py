"""The verdict as text for a terminal: the answer first, then the evidence.

Plain lines that also read well in a log or to a screen reader; every state is a word.
"""

from collections.abc import Iterator, Sequence
from enum import StrEnum

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.words import act_in_words
from busdoc.analysis.overview import (
    cleared_parts,
    identifiers_by_period,
    in_step_identifiers,
    incidents_to_tell,
    open_suspects,
    warnings_of,
    worth_making,
)
from busdoc.analysis.result import Result
from busdoc.decode.j1939.can_name import read_can_name
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import IncidentKind, RanOn
from busdoc.isolation.conclusion import State
from busdoc.report.terminal.brief import picture_of, short_page
from busdoc.report.terminal.intermittent import intermittent_section
from busdoc.report.terminal.resync import changes_text
from busdoc.report.terminal.wrapping import LEAST_WIDTH, MOST_WIDTH, filled
from busdoc.report.words.codes import code_state_in_words
from busdoc.report.words.incidents import answer_in_words, onset_in_words, ran_on_in_words
from busdoc.report.words.inputs.databases import databases_in_words
from busdoc.report.words.inputs.next_input import next_input_in_words
from busdoc.report.words.joins import box_in_words, join_in_words, stand_ins_in_words
from busdoc.report.words.next_test import next_test_in_words
from busdoc.report.words.spells import spell_in_words
from busdoc.report.words.suspects import part_in_words
from busdoc.report.words.symptoms import (
    apart_in_words,
    observed_in_words,
    showing_in_words,
    showings_in_words,
    symptom_in_words,
)
from busdoc.report.words.wire import channel_in_words, errors_in_words, traffic_in_words
from busdoc.symptoms.symptom import SymptomKind
from busdoc.times import clock, zone_words
from busdoc.words.counting import counted, listed, times
from busdoc.words.duration import duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["Extent", "render"]

_WORTH_NAMING = 0.02
"""Suspects below this probability are in the JSON document only."""
_MOST_TESTS = (2, 3)
"""What helps to decide, and all: of these and those below."""
_MOST_INCIDENTS = (5, 30)
_MOST_ACTIONS = (6, 60)
_MOST_SEEN = (3, 12)
_MOST_CODES = (4, 20)
_MOST_SHOWINGS = (2, 6)
_MOST_APART = (2, 4)
_MOST_WARNINGS = (3, 20)
_MOST_CONTROLLERS = (24, 60)
_MOST_JOINS = (4, 12)
_MOST_SUSPECTS = (4, 6)
_MOST_WHY = (2, 4)


class Extent(StrEnum):
    """How much is written."""

    BRIEF = "brief"
    """The short page."""
    USUAL = "usual"
    """That, and what helps to decide."""
    ALL = "all"
    """That, and all the evidence."""


def render(result: Result, *, width: int = 80, unicode: bool = True, extent: Extent = Extent.USUAL) -> str:
    """Write the verdict, `width` characters wide, without colour; every extent begins with the lines of the shorter."""
    width = max(LEAST_WIDTH, min(width, MOST_WIDTH))
    in_full = extent is Extent.ALL
    page = short_page(result, width, unicode)
    parts = [*page.paragraphs]
    if extent is not Extent.BRIEF:
        parts += [
            *_complaint(result, width, in_full),
            *_apart(result, width, in_full),
            *_suspects(result, width, in_full),
            *_next_tests(result, width, in_full),
            *intermittent_section(result, width, in_full),
            *_presence(result, width, unicode, in_full, page.drawn),
            *_joins(result, width, in_full),
            *_incidents(result, width, in_full),
            *_actions(result, width, in_full),
            *_codes(result, width, in_full),
            *([changes_text(result.changes, width)] if result.changes else ()),
        ]
        if in_full or not result.machine.controllers:  # without a map, that is who they are
            parts += [*_who(result, width)]
        if in_full:
            parts += [*_wire(result, width)]
        parts += [*_data(result, width, in_full), *_cautions(result, width, in_full)]
        more = next_input_in_words(result)
        if more is not None:
            parts.append(_wrapped(more, width))
        if not in_full:
            parts.append(_wrapped("--all adds the rest of the evidence; --brief ends after the picture.", width))
    text = "\n\n".join(part for part in parts if part) + "\n"
    return text if unicode else text.translate(_PLAIN).encode("ascii", "replace").decode("ascii")


_PLAIN = str.maketrans({"–": "-", "…": "...", "→": "->", "±": "+/-", "·": ".", "’": "'"})


def _wrapped(text: str, width: int, indent: str = "", more: str | None = None) -> str:
    return filled(text, width, indent, indent if more is None else more)


def _suspects(result: Result, width: int, in_full: bool) -> Iterator[str]:
    verdict, conclusion = result.isolation, result.conclusion
    if verdict is None or conclusion.state is State.HEALTHY:
        return
    named = open_suspects(verdict, _WORTH_NAMING)[: _MOST_SUSPECTS[in_full]] if conclusion.accuses else ()
    told = {one.part for one in (conclusion.named or conclusion.suspects[:2])}  # their reasons stand above
    if named:
        lines = ["Which part"]
        for suspect in named:
            lines.append(f"  {odds(suspect.probability):>9}  {part_in_words(suspect)}")
            if in_full or suspect.part not in told:
                lines += [_wrapped(reason, width, "             ") for reason in suspect.why[: _MOST_WHY[in_full]]]
        yield "\n".join(lines)
    cleared = [part_in_words(suspect) for suspect in cleared_parts(verdict)]
    if cleared:
        yield "Cleared\n" + _wrapped(listed(cleared, None if in_full else 12), width, "  ")


def _complaint(result: Result, width: int, in_full: bool) -> Iterator[str]:
    complaint, health = result.complaint, result.health
    if complaint is None:
        return
    lines = ["The complaint"]
    seen = observed_in_words(complaint, health.start_ns, health.until_ns)
    lines.append(_wrapped(f"{capital(symptom_in_words(complaint))}: {complaint.text}; {seen}.", width, "  ", "    "))
    showings = showings_in_words(complaint, health.start_ns, epoch=result.capture.epoch, most=_MOST_SHOWINGS[in_full])
    lines += [_wrapped(text, width, "    ", "      ") for text in showings]
    yield "\n".join(lines)


def _apart(result: Result, width: int, in_full: bool) -> Iterator[str]:
    if result.apart:
        lines = [_wrapped(apart_in_words(one), width, "  ", "    ") for one in result.apart[: _MOST_APART[in_full]]]
        yield "\n".join(["What comes apart from it", *lines])
    # Codes and counters have a list of their own below.
    others = [
        one
        for one in result.symptoms
        if one.kind in (SymptomKind.CONDITION, SymptomKind.SEEN)
        and one.spans
        and one.name not in {known.name for known in (result.complaint, *result.apart) if known is not None}
    ]
    if others:
        start_ns, until_ns, epoch = result.health.start_ns, result.health.until_ns, result.capture.epoch
        told = [
            f"{capital(symptom_in_words(one))} "
            f"{showing_in_words(one, until_ns=until_ns, start_ns=start_ns, epoch=epoch)}."
            for one in others[: _MOST_APART[in_full]]
        ]
        yield "\n".join(["What else showed", *[_wrapped(text, width, "  ", "    ") for text in told]])


def _next_tests(result: Result, width: int, in_full: bool) -> Iterator[str]:
    """List the tests after the first one, which stands on the short page with its own cautions."""
    worth = () if result.isolation is None else worth_making(result.isolation, _MOST_TESTS[in_full])
    if not worth or result.conclusion.state in (State.HEALTHY, State.PROVED):
        return
    lines = [
        _wrapped(next_test_in_words(test), width, f"  {n}. ", "     ")
        for n, test in enumerate(worth, start=1)
        if n > 1 or in_full
    ]
    told = () if in_full else worth[0].cautions
    cautions = dict.fromkeys(caution for test in worth for caution in test.cautions if caution not in told)
    lines += [_wrapped(f"Caution: {caution}", width, "     ", "     ") for caution in cautions]
    if lines:
        yield "\n".join(["Next tests" if in_full else "Otherwise", *lines])


def _presence(
    result: Result, width: int, unicode: bool, in_full: bool, drawn: Sequence[ControllerHealth]
) -> Iterator[str]:
    """Draw all controllers; in the usual text not again those that are `drawn` on the short page."""
    health = result.health
    if not health.controllers:
        return
    bare = in_step_identifiers(health.controllers)
    if len(bare) == len(health.controllers):
        yield _table_of(bare, width, in_full)
        return
    told = [one for one in health.controllers if one not in bare]
    if not in_full:
        told = [one for one in told if one not in drawn]
        fell = {name for n in result.trouble.incidents for name in result.incidents[n].controllers}
        fell |= {*result.trouble.never_seen, *result.trouble.not_as_it_should}
        ever = {loss.controller for incident in result.incidents for loss in incident.losses}
        steady = [one for one in told if one.name not in fell and one.state is ControllerState.STEADY]
        told = [one for one in told if one not in steady]
        came = {name for join in health.joins for name in join.controllers} - ever
        for when, those in (
            (" all along", [one.name for one in steady if one.name not in {*ever, *came}]),
            (" since they came", [one.name for one in steady if one.name in came]),
            (", but for what was done to them", [one.name for one in steady if one.name in ever]),
        ):
            if those:
                yield _wrapped(f"In step{when}: {listed(those, 12)}.", width)
    if told:
        shown = told[: _MOST_CONTROLLERS[in_full]]
        lines = [picture_of(result, shown, width, unicode=unicode, more=len(told))]
        lines += [_wrapped(text, width, "  ", "    ") for text in stand_ins_in_words(shown)]
        yield "\n".join(lines)
    if bare:
        yield _table_of(bare, width, in_full)


def _table_of(bare: Sequence[ControllerHealth], width: int, in_full: bool) -> str:
    """Put identifiers that nobody owns and that were never missing into a table by their periods."""
    rows = identifiers_by_period(bare)
    n_cyclic = sum(stream.cyclic for one in bare for stream in one.streams)
    lines = [_wrapped(f"{capital(counted(n_cyclic, 'identifier'))} in step, whoever sends them", width)]
    if not in_full:
        return lines[0]
    across = max(len(title) for title, _ in rows)
    for title, names in rows:
        lines.append(_wrapped(f"{title:<{across}}  {', '.join(names)}", width, "  ", " " * (across + 4)))
    return "\n".join(lines)


def _who(result: Result, width: int) -> Iterator[str]:
    """Say what controllers that no map names say of themselves."""
    named = result.machine.controllers
    said = [
        (controller.name, str(read_can_name(controller.identity.can_name)))
        for controller in result.health.controllers
        if controller.identity.can_name is not None and controller.name not in named
    ]
    if said:
        lines = [_wrapped(f"{name}: {words}", width, "  ", "    ") for name, words in said[: _MOST_CONTROLLERS[True]]]
        lines += [_wrapped(box_in_words(box), width, "  ", "    ") for box in result.health.boxes]
        yield "\n".join(["What they say of themselves (address claims)", *lines])


def _joins(result: Result, width: int, in_full: bool) -> Iterator[str]:
    """Say who came in mid-recording."""
    joins = result.health.joins
    if joins:
        most = _MOST_JOINS[in_full]
        lines = [_wrapped(join_in_words(join, result), width, "  ", "    ") for join in joins[:most]]
        more = [f"  and {len(joins) - most} more (--json has them all)"] if len(joins) > most else []
        yield "\n".join(["Who came later", *lines, *more])


def _incidents(result: Result, width: int, in_full: bool) -> Iterator[str]:
    """Tell incidents; where not all are, those that no action explains away, unnumbered: numbers have no holes."""
    numbers = incidents_to_tell(result)
    if not numbers:
        return
    by_n = {action.n: action for action in result.actions}
    lines = ["What happened"]
    most = _MOST_INCIDENTS[in_full]
    told: list[tuple[int | None, int]] = [(place, n) for place, n in enumerate(numbers, start=1)]
    if not in_full and len(told) > most:
        wanted = sorted(numbers, key=lambda n: result.because[n - 1].expected)[:most]
        told = [(None, n) for n in sorted(wanted)]
    for place, n in told[:most]:
        lines += _incident(result, n, place, by_n, width, in_full)
    if len(numbers) > most:
        where = "--json and --tables have them all" if in_full else "--all tells them"
        lines.append(f"  and {len(numbers) - most} more ({where})")
    yield "\n".join(lines)


def _incident(
    result: Result, n: int, place: int | None, by_n: dict[int, Action], width: int, in_full: bool
) -> list[str]:
    incident, because, health = result.incidents[n - 1], result.because[n - 1], result.health
    when = clock(incident.onset_ns, health.start_ns, epoch=result.capture.epoch)
    what = onset_in_words(incident, result.capture.channel_names)
    lines = [_wrapped(f"{when}  {what}", width, "    -  " if place is None else f"  {place:>3}. ", "       ")]
    if by_n and incident.kind is not IncidentKind.CAPTURE_GAP:
        lines.append(_wrapped(answer_in_words(because, by_n), width, "       "))
    if incident.kind is IncidentKind.RESTARTING:
        return [*lines, *(_wrapped(text, width, "       ") for text in spell_in_words(result, incident))]
    if not in_full:
        return lines
    evidence = [text for loss in incident.losses[:1] for text in loss.evidence[:2]]
    if incident.ran_on is not RanOn.UNKNOWN and evidence:
        ran_on = capital(ran_on_in_words(incident.ran_on, incident.p_restarted))
        lines.append(_wrapped(f"{ran_on}: {'; '.join(evidence)}.", width, "       "))
    else:
        lines += [_wrapped(text, width, "       ") for text in incident.why[:2]]
    return lines


def _actions(result: Result, width: int, in_full: bool) -> Iterator[str]:
    for title, actions, most in (
        ("What was done", result.actions, _MOST_ACTIONS[in_full]),
        ("What the traffic looks like, though no journal says so", result.seen, _MOST_SEEN[in_full]),
    ):
        if not actions:
            continue
        lines = [title]
        last = most < len(actions) and not in_full  # what was done last is what the verdict hangs on
        for action in actions[-most:] if last else actions[:most]:
            when = clock(action.time_ns, result.health.start_ns, epoch=result.capture.epoch)
            note = f" – {action.note}" if action.note and action.kind is not ActionKind.MARK else ""
            lines.append(_wrapped(f"{when}  {act_in_words(action)}{note}", width, f"  {action.n:>3}. ", "       "))
        if len(actions) > most:
            lines.append(f"  and {len(actions) - most} {'before these' if last else 'more'}")
        yield "\n".join(lines)


def _codes(result: Result, width: int, in_full: bool) -> Iterator[str]:
    if not result.codes:
        return
    most = _MOST_CODES[in_full]
    lines = ["Fault codes"]
    for code in result.codes[:most]:
        first = clock(code.first_ns, result.health.start_ns, epoch=result.capture.epoch)
        state = code_state_in_words(code, result)
        often = "" if code.occurrences == 1 else f", raised {times(code.occurrences)}"
        text = f"{code.controller}: {code.code}, {code.text}. First {first}{often}; {state}."
        if code.points_at:
            text += f" Look at: {', '.join(code.points_at)}."
        lines.append(_wrapped(text, width, "  ", "    "))
    if len(result.codes) > most:
        lines.append(f"  and {len(result.codes) - most} more")
    yield "\n".join(lines)


def _wire(result: Result, width: int) -> Iterator[str]:
    lines = []
    start_ns, epoch = result.health.start_ns, result.capture.epoch
    for wire in result.health.wire:
        text = f"{channel_in_words(result.capture.channel_names, wire.channel)}: {traffic_in_words(wire)}"
        lines.append(_wrapped(text, width, "  ", "    "))
        for t_ns, words in wire.error_states[:8]:
            lines.append(_wrapped(f"{clock(t_ns, start_ns, epoch=epoch)}  {words}", width, "    "))
        if len(wire.error_states) > 8:
            lines.append(f"    and {len(wire.error_states) - 8} more")
        errors = errors_in_words(wire, lambda t_ns: clock(t_ns, start_ns, epoch=epoch))
        lines += [_wrapped(text, width, "    ") for text in errors]
    if lines:
        yield "\n".join(["The wire", *lines])


def _data(result: Result, width: int, in_full: bool) -> Iterator[str]:
    warned = warnings_of(result)
    most = _MOST_WARNINGS[in_full]
    facts, health = result.capture, result.health
    lines = [
        _wrapped(
            f"{counted(health.frames, 'frame')} in {counted(len(facts.files), 'file')}, "
            f"{duration(health.until_ns - health.start_ns)}"
            + (f"; {counted(facts.skipped_lines, 'line')} could not be read" if facts.skipped_lines else "")
            + (f"; times of day are {zone_words(health.start_ns)}" if facts.epoch else ""),
            width,
            "  ",
        )
    ]
    used = databases_in_words(result.database_uses)
    lines += [] if used is None else [_wrapped(used, width, "  ", "    ")]
    lines += [
        _wrapped(f"{s.file}, line {s.line}: {s.reason}", width, "    ", "      ") for s in facts.skipped[: most + 2]
    ]
    lines += [_wrapped(text, width, "  ! ", "    ") for text in warned[:most]]
    lines += [f"  and {counted(len(warned) - most, 'more remark')}"] if len(warned) > most else []
    yield "\n".join(["The data", *lines])


def _cautions(result: Result, width: int, in_full: bool) -> Iterator[str]:
    if not result.trouble:
        return
    yield "\n".join(["Cautions", *(_wrapped(text, width, "  - ", "    ") for text in result.cautions())])
