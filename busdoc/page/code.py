"""A link as a code that a phone's camera reads (ISO/IEC 18004), drawn with letters: two rows of it in each line."""

from collections.abc import Sequence

__all__ = ["code_rows", "terminal_code"]

_EDGE = 2
"""Light modules around it; the standard asks for four, cameras take two, and a small terminal has no more room."""
_BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
_BLACK_ON_WHITE, _AS_BEFORE = "\x1b[38;5;16;48;5;231m", "\x1b[0m"


def code_rows(link: str, *, dark_ink: bool) -> tuple[str, ...]:
    """Draw a link.

    Parameters
    ----------
    dark_ink : whether what is written is darker than what it is written on; the code has to come out dark on light
    """
    import segno

    code = segno.make(link, error="l", micro=False, boost_error=False)
    modules: Sequence[Sequence[int]] = [list(row) for row in code.matrix_iter(border=_EDGE)]
    if len(modules) % 2:
        modules = [*modules, [0] * len(modules[0])]
    inked = [[bool(cell) is dark_ink for cell in row] for row in modules]
    pairs = zip(inked[::2], inked[1::2], strict=True)
    return tuple("".join(_BLOCKS[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs)


def terminal_code(link: str) -> str:
    """Draw a link for a terminal whose colours nobody knows: they are set, black on white, and put back."""
    rows = code_rows(link, dark_ink=True)
    return "\n".join(f"{_BLACK_ON_WHITE}{row}{_AS_BEFORE}" for row in rows)
