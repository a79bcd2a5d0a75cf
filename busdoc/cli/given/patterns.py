"""Captures by pattern, for shells that hand ``*.log`` on as it was typed."""

import argparse
from pathlib import Path

from busdoc.errors import InputError

__all__ = ["expand_patterns"]

_SIGNS = frozenset("*?[")
_LISTS = ("capture", "replay")


def expand_patterns(arguments: argparse.Namespace) -> None:
    """Put the files in the place of each pattern among the captures; a file that bears such a name is itself.

    ``*``, ``?`` and ``[…]`` as in file names, ``**`` for any folders between; in the order of their names.

    Raises
    ------
    InputError : a pattern that no file matches
    """
    for name in _LISTS:
        given = getattr(arguments, name, None)
        if isinstance(given, list) and any(_SIGNS & set(str(path)) for path in given):
            setattr(arguments, name, [file for path in given for file in _files(path)])


def _files(path: Path) -> list[Path]:
    if not _SIGNS & set(str(path)) or path.exists():
        return [path]
    from glob import glob  # 5 ms, and rarely needed

    found = sorted(glob(str(path), recursive=True))
    if not found:
        raise InputError(str(path), "a capture, or a pattern that captures match", "no such file", "Check the folder.")
    return [Path(file) for file in found]
