"""The terminal's part on many dropouts: who falls together, how often, what goes before them, what to do next."""

from collections.abc import Iterator

from busdoc.analysis.result import Result
from busdoc.report.terminal.wrapping import filled
from busdoc.report.words.intermittent import before_in_words, common_to, rate_in_words
from busdoc.words.counting import counted, plural

__all__ = ["intermittent_section"]

_MOST_GROUPS = 2


def intermittent_section(result: Result, width: int, in_full: bool) -> Iterator[str]:
    """Yield the section; nothing where there are fewer than three dropouts to explain."""
    found = result.intermittent
    if found is None:
        return
    most = len(found.groups) if in_full else _MOST_GROUPS
    what = plural(2, found.rates[0].called)
    lines = [f"What the {common_to(result, found)} have in common"]
    lines += [_wrapped(group.words, width) for group in found.groups[:most]]
    if len(found.groups) > most:
        lines.append(f"  and {counted(len(found.groups) - most, 'more group')}")
    lines.append(_wrapped(rate_in_words(found.rates[0]), width))
    lines += [_wrapped(text, width) for text in before_in_words(found)]
    yield "\n".join(lines)
    if found.advice:
        first_of_each = {one.kind: one for one in reversed(found.advice)}
        shown = enumerate((one for one in found.advice if first_of_each[one.kind] is one), start=1)
        advice = [_wrapped(one.words, width, f"  {n}. ", "     ") for n, one in shown]
        yield "\n".join([f"What to do about the {what}", *advice])


def _wrapped(text: str, width: int, first: str = "  ", more: str = "    ") -> str:
    return filled(text, width, first, more)
