"""Fonts of this computer for the letters that the record's own font lacks: names in Chinese, Japanese, Korean, Thai."""

from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path

__all__ = ["fonts_for", "letters_of"]

_MOST_FONTS = 3
_MOST_TRIED = 400
_NEEDS_NO_SHAPE = frozenset("\n\t\r ")


def letters_of(record: object) -> frozenset[str]:
    """Give every letter in the texts of a record, however deep."""
    return frozenset(letter for text in _texts(record) for letter in text) - _NEEDS_NO_SHAPE


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from _texts(getattr(value, field.name))
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)


def fonts_for(letters: Iterable[str], own: Path, candidates: Iterable[Path] | None = None) -> tuple[Path, ...]:
    """Choose as few fonts as give shapes to the letters that `own` has none for; none when it has them all.

    Parameters
    ----------
    own : the font that is used wherever it can be
    candidates : font files to choose from; None: those installed on this computer
    """
    missing = {ord(letter) for letter in letters} - _shapes(own)
    if not missing:
        return ()
    if candidates is None:
        from matplotlib.font_manager import findSystemFonts

        candidates = map(Path, sorted(findSystemFonts()))
    can_draw = {path: missing & _shapes(path) for path, _ in zip(candidates, range(_MOST_TRIED), strict=False)}
    chosen: list[Path] = []
    while missing and len(chosen) < _MOST_FONTS:
        best = max(can_draw, key=lambda path: len(can_draw[path] & missing), default=None)
        if best is None or not can_draw[best] & missing:
            break
        chosen.append(best)
        missing -= can_draw[best]
    return tuple(chosen)


def _shapes(path: Path) -> set[int]:
    """Give the code points that a font draws; none for one that cannot be read or put into a PDF."""
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path, fontNumber=0, lazy=True) as font:
            return set(font.getBestCmap() or ()) if "glyf" in font else set()
    except (TTLibError, OSError, KeyError, ValueError, AssertionError):
        return set()
