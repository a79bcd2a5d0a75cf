"""Breaks text into lines for a terminal, never between a number and its unit, nor inside a part's name."""

import re
import textwrap

__all__ = ["LEAST_WIDTH", "MOST_WIDTH", "filled"]

LEAST_WIDTH, MOST_WIDTH = 40, 160
"""Columns: narrower, words are torn; wider, the eye does not find the next line (common practice)."""

_BEFORE_A_UNIT = re.compile(r"(?<=\d) (?=%|(?:ns|µs|us|ms|s|min|h|d|V|A|Hz)\b)")
_NO_BREAK = "\N{NO-BREAK SPACE}"


def filled(text: str, width: int, first: str = "", more: str = "") -> str:
    r"""Fill lines of at most `width` characters, the first indented by `first`, the others by `more`.

    >>> filled("Trouble within 70 s: it is harness-2 (98 %).", 25)
    'Trouble within 70 s: it\nis harness-2 (98 %).'
    """
    joined = _BEFORE_A_UNIT.sub(_NO_BREAK, text)
    lines = textwrap.fill(joined, width, initial_indent=first, subsequent_indent=more, break_on_hyphens=False)
    return lines.replace(_NO_BREAK, " ")
