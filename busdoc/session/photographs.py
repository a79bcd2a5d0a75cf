"""The photographs of a session: files in its folder that notes of its journal name."""

import re
from collections.abc import Iterable
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.files.given import no_plain_file

__all__ = ["PHOTOGRAPH", "PHOTOGRAPHS", "photographs_of"]

PHOTOGRAPHS = "photographs"
"""The folder that holds them."""

PHOTOGRAPH = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,80}\.(?:jpe?g|png)", re.IGNORECASE)
"""The name of one, as it stands in a note: plain letters, so that it is the same on every system."""


def photographs_of(folder: Path, actions: Iterable[Action]) -> tuple[tuple[int, Path], ...]:
    """Find the photographs that notes name: (number of the action, file), in the order of the actions.

    Parameters
    ----------
    folder : that holds them; need not be there
    """
    found = []
    for action in actions:
        for name in PHOTOGRAPH.findall(action.note):
            path = folder / name
            if path.is_file() and no_plain_file(path) is None:
                found.append((action.n, path))
    return tuple(found)
