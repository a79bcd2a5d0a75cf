"""Block letters for reading from three metres: a 5 by 7 alphabet, drawn with half blocks at any whole size.

A letter is four rows of a terminal high at the smallest size: some 22 mm or more on a laptop at 80 by 24, above the
20 to 22 minutes of arc at three metres that ISO 9241-303 asks for (from memory).
"""

import unicodedata
from collections.abc import Sequence

__all__ = ["ADVANCE", "draw_text", "rows_at", "wrap_text"]

ADVANCE = 6
"""Columns from one letter to the next, at the smallest size."""
_HEIGHT = 8
"""Dots from one line to the next; two to a row."""

_LETTERS = {
    "A": "01110 10001 10001 11111 10001 10001 10001",
    "B": "11110 10001 10001 11110 10001 10001 11110",
    "C": "01110 10001 10000 10000 10000 10001 01110",
    "D": "11110 10001 10001 10001 10001 10001 11110",
    "E": "11111 10000 10000 11110 10000 10000 11111",
    "F": "11111 10000 10000 11110 10000 10000 10000",
    "G": "01110 10001 10000 10111 10001 10001 01110",
    "H": "10001 10001 10001 11111 10001 10001 10001",
    "I": "01110 00100 00100 00100 00100 00100 01110",
    "J": "00111 00010 00010 00010 00010 10010 01100",
    "K": "10001 10010 10100 11000 10100 10010 10001",
    "L": "10000 10000 10000 10000 10000 10000 11111",
    "M": "10001 11011 10101 10101 10001 10001 10001",
    "N": "10001 11001 10101 10011 10001 10001 10001",
    "O": "01110 10001 10001 10001 10001 10001 01110",
    "P": "11110 10001 10001 11110 10000 10000 10000",
    "Q": "01110 10001 10001 10001 10101 10010 01101",
    "R": "11110 10001 10001 11110 10100 10010 10001",
    "S": "01111 10000 10000 01110 00001 00001 11110",
    "T": "11111 00100 00100 00100 00100 00100 00100",
    "U": "10001 10001 10001 10001 10001 10001 01110",
    "V": "10001 10001 10001 10001 10001 01010 00100",
    "W": "10001 10001 10001 10101 10101 11011 10001",
    "X": "10001 10001 01010 00100 01010 10001 10001",
    "Y": "10001 10001 01010 00100 00100 00100 00100",
    "Z": "11111 00001 00010 00100 01000 10000 11111",
    "0": "01110 10001 10011 10101 11001 10001 01110",
    "1": "00100 01100 00100 00100 00100 00100 01110",
    "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "11111 00010 00100 00010 00001 10001 01110",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 00001 10001 01110",
    "6": "00110 01000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00100 01000 01000 01000",
    "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00010 01100",
    "-": "00000 00000 00000 11111 00000 00000 00000",
    "_": "00000 00000 00000 00000 00000 00000 11111",
    ".": "00000 00000 00000 00000 00000 01100 01100",
    ",": "00000 00000 00000 00000 01100 00100 01000",
    ":": "00000 01100 01100 00000 01100 01100 00000",
    "#": "01010 01010 11111 01010 11111 01010 01010",
    "%": "11000 11001 00010 00100 01000 10011 00011",
    "/": "00000 00001 00010 00100 01000 10000 00000",
    "+": "00000 00100 00100 11111 00100 00100 00000",
    "(": "00010 00100 01000 01000 01000 00100 00010",
    ")": "01000 00100 00010 00010 00010 00100 01000",
    "!": "00100 00100 00100 00100 00100 00000 00100",
    ">": "01000 00100 00010 00001 00010 00100 01000",
    "…": "00000 00000 00000 00000 00000 00000 10101",
    "?": "01110 10001 00001 00010 00100 00000 00100",
    " ": "00000 00000 00000 00000 00000 00000 00000",
}
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def rows_at(size: int) -> int:
    """Give how many rows a line of letters takes."""
    return _HEIGHT * size // 2


def draw_text(text: str, size: int = 1) -> list[str]:
    r"""Draw one line of letters.

    Parameters
    ----------
    size : 1, 2, …: dots to a dot

    Returns
    -------
    `rows_at(size)` texts of ``len(text) * ADVANCE * size`` cells

    Examples
    --------
    >>> print("\n".join(row.rstrip() for row in draw_text("HI")))
    █   █  ▀█▀
    █▄▄▄█   █
    █   █   █
    ▀   ▀  ▀▀▀
    """
    dots = [_dot_rows(letter) for letter in _basic(text)]
    grid = ["".join(letter[y] + "0" for letter in dots) for y in range(_HEIGHT - 1)] + ["0" * (ADVANCE * len(dots))]
    tall = ["".join(dot * size for dot in row) for row in grid for _ in range(size)]
    return [
        "".join(_HALVES[upper == "1", lower == "1"] for upper, lower in zip(tall[y], tall[y + 1], strict=True))
        for y in range(0, len(tall), 2)
    ]


def wrap_text(text: str, letters: int) -> list[str] | None:
    """Break a text between words into lines of at most so many letters; None when a word is longer.

    >>> wrap_text("unplug harness-A", 13), wrap_text("unplug harness-A", 6)
    (['unplug', 'harness-A'], None)
    """
    lines: list[str] = []
    for word in text.split():
        if len(word) > letters:
            return None
        if lines and len(lines[-1]) + 1 + len(word) <= letters:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _dot_rows(letter: str) -> Sequence[str]:
    return _LETTERS.get(letter, _LETTERS["?"]).split()


def _basic(text: str) -> str:
    """Write a text in the letters that there are: capitals, without accents."""
    apart = unicodedata.normalize("NFKD", text.upper().replace("ß", "SS"))
    return "".join(letter for letter in apart if not unicodedata.combining(letter))
