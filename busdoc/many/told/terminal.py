"""What the terminal says of a fleet: what to inspect first, then each kind in a few lines."""

from collections.abc import Iterator, Sequence

from busdoc.many.conclusions.findings import Findings, KindFindings
from busdoc.many.told.words import (
    change_words,
    effect_words,
    expected_words,
    fleet_headline,
    hours_words,
    kind_words,
    look_at,
    rate_words,
    summary_words,
    together_words,
    trend_words,
    typical_words,
    unchanged_words,
    worse_words,
)
from busdoc.report.terminal.wrapping import filled
from busdoc.words.counting import counted

__all__ = ["render_fleet"]

_MOST_INSPECTED = 10
_MOST_PARTS = 3
_MOST_PROBLEMS = 5


def render_fleet(found: Findings, *, width: int, written: Sequence[str]) -> str:
    """Give the lines.

    Parameters
    ----------
    written : what was written, to be named at the end
    """
    lines = [filled(fleet_headline(found), width), filled(summary_words(found), width), ""]
    lines += _inspect(found, width)
    for kind in found.counted:
        lines += [*_kind(kind, found.changed, width), ""]
    lines += _problems(found, width)
    lines += [f"Written: {path}" for path in written]
    return "\n".join(lines) + "\n"


def _inspect(found: Findings, width: int) -> Iterator[str]:
    if not found.inspect:
        return
    yield "Inspect next"
    for kind, machine in found.inspect[:_MOST_INSPECTED]:
        text = (
            f"{machine.ranked.machine} ({kind.name}): {worse_words(machine)}. Look at {look_at(machine)}. "
            f"Expect {expected_words(machine)}."
        )
        yield filled(text, width, "  ", "    ")
    more = len(found.inspect) - _MOST_INSPECTED
    if more > 0:
        yield f"  and {more} more, on the page"
    yield ""


def _kind(kind: KindFindings, changed: str, width: int) -> Iterator[str]:
    yield f"{kind_words(kind)}: {counted(len(kind.machines), 'machine')}, {hours_words(kind.rate.hours)}"
    texts = [typical_words(kind)]
    if not kind.name:
        often = sorted((one.ranked for one in kind.machines if one.ranked.rate.n), key=lambda one: -one.rate.n)
        texts += [f"{one.machine}: {rate_words(one.rate)}." for one in often[:_MOST_PARTS]]
    for title, ranked in (("Controllers", kind.controllers), ("Parts", kind.parts)):
        if ranked:
            shown = [
                f"{one.name} {rate_words(one.rate)}{', more than its fellows' if one.worse else ''}"
                for one in ranked[:_MOST_PARTS]
            ]
            texts.append(f"{title}: {'; '.join(shown)}.")
    texts += [trend_words(kind.trend, by_meter=kind.by_meter)] if kind.name else []
    told = (change_words(kind.change, changed), unchanged_words(kind.unchanged))
    texts += [text for text in told if text is not None]
    texts += [f"{effect_words(one)}." for one in (kind.effects.effects if kind.effects is not None else ())]
    texts += list(together_words(kind))[:_MOST_PARTS]
    yield from (filled(text, width, "  ", "    ") for text in texts)


def _problems(found: Findings, width: int) -> Iterator[str]:
    if not found.problems:
        return
    yield "Counts for nothing"
    for one in found.problems[:_MOST_PROBLEMS]:
        yield filled(f"{one.machine}: {one.sentence}", width, "  ", "    ")
    more = len(found.problems) - _MOST_PROBLEMS
    if more > 0:
        yield f"  and {more} more, on the page and in the tables"
    yield ""
