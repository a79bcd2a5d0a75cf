"""The verdict as text for a terminal: the answer first, then the evidence.

Plain lines that also read well in a log or to a screen reader; every state is a word.
"""

from collections.abc import Iterator, Sequence

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
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import IncidentKind, RanOn
from busdoc.report.terminal.intermittent import intermittent_section
from busdoc.report.terminal.strip import ASCII, SHADED, draw_axis, draw_marks, draw_strip
from busdoc.report.terminal.wrapping import filled
from busdoc.report.words.codes import code_state_in_words
from busdoc.report.words.headline import headline
from busdoc.report.words.incidents import answer_in_words, onset_in_words, ran_on_in_words
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
from busdoc.times import clock
from busdoc.words.counting import counted, times
from busdoc.words.duration import duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["render"]

_WORTH_NAMING = 0.02
"""Suspects below this probability are in the JSON document only."""
_MOST_TESTS = 3
_MOST_INCIDENTS = 30
_MOST_CODES = 20
_MOST_SHOWINGS = 6
_MOST_APART = 4
_MOST_WARNINGS = 20
_MOST_CONTROLLERS = 60
_MOST_JOINS = 12


def render(result: Result, *, width: int = 80, unicode: bool = True) -> str:
    """Write the whole verdict, `width` characters wide, without colour."""
    width = max(60, min(width, 160))
    parts = [
        _wrapped(headline(result), width),
        *_complaint(result, width),
        *_apart(result, width),
        *_suspects(result, width),
        *_next_tests(result, width),
        *intermittent_section(result, width),
        *_presence(result, width, unicode),
        *_who(result, width),
        *_joins(result, width),
        *_incidents(result, width),
        *_actions(result, width),
        *_codes(result, width),
        *_wire(result, width),
        *_data(result, width),
        *_cautions(result, width),
    ]
    text = "\n\n".join(part for part in parts if part) + "\n"
    return text if unicode else text.translate(_PLAIN).encode("ascii", "replace").decode("ascii")


_PLAIN = str.maketrans({"–": "-", "…": "...", "→": "->", "±": "+/-", "·": ".", "’": "'"})


def _wrapped(text: str, width: int, indent: str = "", more: str | None = None) -> str:
    return filled(text, width, indent, indent if more is None else more)


def _suspects(result: Result, width: int) -> Iterator[str]:
    if result.isolation is None or not result.trouble:
        return
    named = open_suspects(result.isolation, _WORTH_NAMING)[:6]
    if named:
        lines = ["Which part"]
        for suspect in named:
            lines.append(f"  {odds(suspect.probability):>9}  {part_in_words(suspect)}")
            lines += [_wrapped(reason, width, "             ") for reason in suspect.why[:4]]
        yield "\n".join(lines)
    cleared = [part_in_words(suspect) for suspect in cleared_parts(result.isolation)]
    if cleared:
        yield "Cleared\n" + _wrapped(", ".join(cleared), width, "  ")


def _complaint(result: Result, width: int) -> Iterator[str]:
    complaint, health = result.complaint, result.health
    if complaint is None:
        return
    lines = ["The complaint"]
    seen = observed_in_words(complaint, health.start_ns, health.until_ns)
    lines.append(_wrapped(f"{capital(symptom_in_words(complaint))}: {complaint.text}; {seen}.", width, "  ", "    "))
    showings = showings_in_words(complaint, health.start_ns, epoch=result.capture.epoch, most=_MOST_SHOWINGS)
    lines += [_wrapped(text, width, "    ", "      ") for text in showings]
    yield "\n".join(lines)


def _apart(result: Result, width: int) -> Iterator[str]:
    if result.apart:
        lines = [_wrapped(apart_in_words(one), width, "  ", "    ") for one in result.apart[:_MOST_APART]]
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
            for one in others[:_MOST_APART]
        ]
        yield "\n".join(["What else showed", *[_wrapped(text, width, "  ", "    ") for text in told]])


def _next_tests(result: Result, width: int) -> Iterator[str]:
    worth = () if result.isolation is None else worth_making(result.isolation, _MOST_TESTS)
    if not worth or not result.trouble:
        return
    lines = ["Next test"]
    lines += [_wrapped(next_test_in_words(test), width, f"  {n}. ", "     ") for n, test in enumerate(worth, start=1)]
    cautions = dict.fromkeys(caution for test in worth for caution in test.cautions)
    lines += [_wrapped(f"Caution: {caution}", width, "     ", "     ") for caution in cautions]
    yield "\n".join(lines)


def _presence(result: Result, width: int, unicode: bool) -> Iterator[str]:
    health = result.health
    if not health.controllers:
        return
    bare = in_step_identifiers(health.controllers)
    if len(bare) == len(health.controllers):
        yield _table_of(bare, width)
        return
    told = [one for one in health.controllers if one not in bare]
    shown = told[:_MOST_CONTROLLERS]
    name_width = min(max(len(c.name) for c in shown), 22)
    strip_width = max(20, width - name_width - max(16, 4 + max(len(_state(c)) for c in shown)))
    glyphs = SHADED if unicode else ASCII
    gaps = [gap for gap in health.gaps if gap.channel is None]
    strips = [draw_strip(one, gaps, health.start_ns, health.until_ns, strip_width, glyphs) for one in shown]
    drawn = ("heard", "silent", "partly silent", "not recorded")
    signs = [f"{glyph} {word}" for glyph, word in zip(glyphs, drawn, strict=True)]
    signs += ["blank not heard yet or no more"] if any(" " in strip for strip in strips) else []
    lines = [_wrapped(f"Controllers ({', '.join(signs)})", width, "", "  ")]
    for controller, strip in zip(shown, strips, strict=True):
        lines.append(f"  {_short(controller.name, name_width):<{name_width}} {strip} {_state(controller)}")
    pad = " " * (name_width + 3)
    marks = [(action.time_ns, str(action.n)) for action in result.actions]
    if marks:
        rows = draw_marks(marks, health.start_ns, health.until_ns, strip_width)[:4]
        lines += [f"  {'actions' if k == 0 else '':<{name_width}} {row}".rstrip() for k, row in enumerate(rows)]
    if result.codes:
        raised = [(code.first_ns, "!") for code in sorted(result.codes, key=lambda code: code.first_ns)]
        rows = draw_marks(raised, health.start_ns, health.until_ns, strip_width)[:2]
        lines += [f"  {'codes' if k == 0 else '':<{name_width}} {row}".rstrip() for k, row in enumerate(rows)]
    lines.append(pad + draw_axis(health.start_ns, health.until_ns, strip_width))
    if len(told) > len(shown):
        lines.append(f"  and {len(told) - len(shown)} more (--json has them all)")
    lines += [_wrapped(text, width, "  ", "    ") for text in stand_ins_in_words(shown)]
    yield "\n".join(lines)
    if bare:
        yield _table_of(bare, width)


def _table_of(bare: Sequence[ControllerHealth], width: int) -> str:
    """Put identifiers that nobody owns and that were never missing into a table by their periods."""
    rows = identifiers_by_period(bare)
    n_cyclic = sum(stream.cyclic for one in bare for stream in one.streams)
    lines = [_wrapped(f"{capital(counted(n_cyclic, 'identifier'))} in step, whoever sends them", width)]
    across = max(len(title) for title, _ in rows)
    for title, names in rows:
        lines.append(_wrapped(f"{title:<{across}}  {', '.join(names)}", width, "  ", " " * (across + 4)))
    return "\n".join(lines)


def _short(name: str, width: int) -> str:
    return name if len(name) <= width else name[: width - 1] + "~"


def _who(result: Result, width: int) -> Iterator[str]:
    """Say what controllers that no map names say of themselves."""
    named = result.machine.controllers
    said = [
        (controller.name, str(read_can_name(controller.identity.can_name)))
        for controller in result.health.controllers
        if controller.identity.can_name is not None and controller.name not in named
    ]
    if said:
        lines = [_wrapped(f"{name}: {words}", width, "  ", "    ") for name, words in said[:_MOST_CONTROLLERS]]
        lines += [_wrapped(box_in_words(box), width, "  ", "    ") for box in result.health.boxes]
        yield "\n".join(["What they say of themselves (address claims)", *lines])


def _joins(result: Result, width: int) -> Iterator[str]:
    """Say who came in mid-recording."""
    joins = result.health.joins
    if joins:
        lines = [_wrapped(join_in_words(join, result), width, "  ", "    ") for join in joins[:_MOST_JOINS]]
        more = [f"  and {len(joins) - _MOST_JOINS} more (--json has them all)"] if len(joins) > _MOST_JOINS else []
        yield "\n".join(["Who came later", *lines, *more])


def _state(controller: ControllerHealth) -> str:
    falls = f", fell {controller.dropouts}x" if controller.dropouts else ""
    return f"{controller.state}{falls}"


def _incidents(result: Result, width: int) -> Iterator[str]:
    numbers = incidents_to_tell(result)
    if not numbers:
        return
    by_n = {action.n: action for action in result.actions}
    lines = ["What happened"]
    for n in numbers[:_MOST_INCIDENTS]:
        lines += _incident(result, n, by_n, width)
    if len(numbers) > _MOST_INCIDENTS:
        lines.append(f"  and {len(numbers) - _MOST_INCIDENTS} more (--json and --tables have them all)")
    yield "\n".join(lines)


def _incident(result: Result, n: int, by_n: dict[int, Action], width: int) -> list[str]:
    incident, because, health = result.incidents[n - 1], result.because[n - 1], result.health
    when = clock(incident.onset_ns, health.start_ns, epoch=result.capture.epoch)
    what = onset_in_words(incident, result.capture.channel_names)
    lines = [_wrapped(f"{when}  {what}", width, f"  {n:>3}. ", "       ")]
    if by_n and incident.kind is not IncidentKind.CAPTURE_GAP:
        lines.append(_wrapped(answer_in_words(because, by_n), width, "       "))
    if incident.kind is IncidentKind.RESTARTING:
        return [*lines, *(_wrapped(text, width, "       ") for text in spell_in_words(result, incident))]
    evidence = [text for loss in incident.losses[:1] for text in loss.evidence[:2]]
    if incident.ran_on is not RanOn.UNKNOWN and evidence:
        ran_on = capital(ran_on_in_words(incident.ran_on, incident.p_restarted))
        lines.append(_wrapped(f"{ran_on}: {'; '.join(evidence)}.", width, "       "))
    else:
        lines += [_wrapped(text, width, "       ") for text in incident.why[:2]]
    return lines


def _actions(result: Result, width: int) -> Iterator[str]:
    for title, actions, most in (
        ("What was done", result.actions, 60),
        ("What the traffic looks like, though no journal says so", result.seen, 12),
    ):
        if not actions:
            continue
        lines = [title]
        for action in actions[:most]:
            when = clock(action.time_ns, result.health.start_ns, epoch=result.capture.epoch)
            note = f" – {action.note}" if action.note and action.kind is not ActionKind.MARK else ""
            lines.append(_wrapped(f"{when}  {act_in_words(action)}{note}", width, f"  {action.n:>3}. ", "       "))
        if len(actions) > most:
            lines.append(f"  and {len(actions) - most} more")
        yield "\n".join(lines)


def _codes(result: Result, width: int) -> Iterator[str]:
    if not result.codes:
        return
    lines = ["Fault codes"]
    for code in result.codes[:_MOST_CODES]:
        first = clock(code.first_ns, result.health.start_ns, epoch=result.capture.epoch)
        state = code_state_in_words(code, result)
        often = "" if code.occurrences == 1 else f", raised {times(code.occurrences)}"
        text = f"{code.controller}: {code.code}, {code.text}. First {first}{often}; {state}."
        if code.points_at:
            text += f" Look at: {', '.join(code.points_at)}."
        lines.append(_wrapped(text, width, "  ", "    "))
    if len(result.codes) > _MOST_CODES:
        lines.append(f"  and {len(result.codes) - _MOST_CODES} more")
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


def _data(result: Result, width: int) -> Iterator[str]:
    facts, health = result.capture, result.health
    lines = [
        _wrapped(
            f"{counted(health.frames, 'frame')} in {counted(len(facts.files), 'file')}, "
            f"{duration(health.until_ns - health.start_ns)}"
            + (f"; {counted(facts.skipped_lines, 'line')} could not be read" if facts.skipped_lines else "")
            + ("; times of day are UTC" if facts.epoch else ""),
            width,
            "  ",
        )
    ]
    lines += [_wrapped(f"{s.file}, line {s.line}: {s.reason}", width, "    ", "      ") for s in facts.skipped[:5]]
    lines += [_wrapped(text, width, "  ! ", "    ") for text in warnings_of(result)[:_MOST_WARNINGS]]
    yield "\n".join(["The data", *lines])


def _cautions(result: Result, width: int) -> Iterator[str]:
    if not result.trouble:
        return
    yield "\n".join(["Cautions", *(_wrapped(text, width, "  - ", "    ") for text in result.cautions())])
