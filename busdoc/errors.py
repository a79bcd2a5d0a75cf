"""What can go wrong, split by what the caller can do about it.

    BusdocError
    ├── InputError      what the user gave cannot be used; the text says where, what was expected, found, and what to do
    └── BusError        a live bus cannot be opened or has failed

`busdoc.cli.main` alone turns these into text on stderr and exit status 2. Anything else is a bug and keeps its
traceback.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

__all__ = ["BusError", "BusdocError", "InputError", "found_instead", "guarded", "in_one_line", "nearest"]


_LONGEST_FOUND = 400
"""Letters of what was found that a sentence quotes."""


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
        if len(found) > _LONGEST_FOUND:  # what was found is quoted from the input, which may be anything
            found = f"{found[: _LONGEST_FOUND - 60]} … {found[-50:]}"
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


def in_one_line(error: BaseException) -> str:
    """Word what a parser raised, to stand in brackets: its first line, shortened.

    >>> in_one_line(ValueError("too many" + chr(10) + "digits")), in_one_line(RecursionError())
    ('too many', 'RecursionError')
    """
    lines = str(error).splitlines()
    return (lines[0] if lines and lines[0].strip() else type(error).__name__)[:120]


@contextmanager
def guarded(where: str, expected: str, advice: str) -> Iterator[None]:
    """Turn whatever a parser raises on what the user gave into one sentence.

    The place of every parse of a file that others wrote: each damage that was thought of is told where it is found,
    and the next one, which nobody thought of, is told here. The cause goes with it.

    Parameters
    ----------
    where, expected, advice : as for `InputError`

    Raises
    ------
    InputError : for any exception but those that busdoc raises on purpose, and what the disk says (`OSError`)
    """
    try:
        yield
    except (BusdocError, OSError):
        raise
    except Exception as error:
        raise InputError(where, expected, f"damage ({in_one_line(error)})", advice) from error


def nearest(found: str, allowed: Iterable[str]) -> str:
    """Word the advice for a name that does not exist: the nearest one first, else all that are allowed.

    >>> nearest("fuse-9", ["fuse-1", "battery"])
    'Did you mean "fuse-1"?'
    >>> nearest("x", ["feed", "segment"])
    'Use one of: feed, segment.'
    """
    names = sorted(allowed)
    from difflib import get_close_matches  # only a mistake needs it

    close = get_close_matches(found, names, n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{close[0]}"?'
    if not names:
        return "None is defined here; remove it."
    shown = names[:12]
    more = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
    return f"Use one of: {', '.join(shown)}{more}."
