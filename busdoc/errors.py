"""What can go wrong, split by what the caller can do about it.

    BusdocError
    ├── InputError      what the user gave cannot be used; the text says where, what was expected, found, and what to do
    └── BusError        a live bus cannot be opened or has failed

`busdoc.cli.main` alone turns these into text on stderr and exit status 2. Anything else is a bug and keeps its
traceback.
"""

from collections.abc import Iterable
from difflib import get_close_matches

__all__ = ["BusError", "BusdocError", "InputError", "found_instead", "nearest"]


class BusdocError(Exception):
    """Base of every error that busdoc raises on purpose."""


class InputError(BusdocError):
    """What the user gave cannot be used: one sentence on stderr, exit status 2.

    Parameters
    ----------
    where : the file, and the line where there is one, as a person would say it: ``machine.toml, line 38``
    expected, found : what should have stood there, and what did
    advice : what to do now, as a sentence
    """

    def __init__(self, where: str, expected: str, found: str, advice: str) -> None:
        super().__init__(where, expected, found, advice)  # as given, so that it pickles

    def __str__(self) -> str:
        where, expected, found, advice = self.args
        return f"{where}: expected {expected}, found {found}. {advice}"


class BusError(BusdocError):
    """A live bus cannot be opened, or failed while it was listened to."""


def found_instead(error: OSError) -> str:
    """Word what stood in the way of a file, to follow `found` in an `InputError`.

    >>> found_instead(FileNotFoundError(2, "No such file or directory"))
    'nothing by this name'
    >>> found_instead(OSError(28, "No space left on device"))
    'no space left on device'
    """
    match error:
        case FileNotFoundError():
            return "nothing by this name"
        case IsADirectoryError():
            return "a folder"
        case FileExistsError() | NotADirectoryError():
            return "a file by this name"
        case PermissionError():
            return "no right to it"
    reason = error.strerror or str(error)
    return reason[:1].lower() + reason[1:]


def nearest(found: str, allowed: Iterable[str]) -> str:
    """Word the advice for a name that does not exist: the nearest one first, else all that are allowed.

    >>> nearest("fuse-9", ["fuse-1", "battery"])
    'Did you mean "fuse-1"?'
    >>> nearest("x", ["feed", "segment"])
    'Use one of: feed, segment.'
    """
    names = sorted(allowed)
    close = get_close_matches(found, names, n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{close[0]}"?'
    if not names:
        return "None is defined here; remove it."
    shown = names[:12]
    more = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
    return f"Use one of: {', '.join(shown)}{more}."
