"""A small file that the user gave, read whole: what is no file, or far too large, is refused before it is read.

A pipe or a device under the name of a file would be waited for for ever, or fill the memory.
"""

import stat
from pathlib import Path

from busdoc.errors import InputError, found_instead

__all__ = ["no_plain_file", "read_given", "require_plain_files"]

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
)


def no_plain_file(path: Path) -> str | None:
    """Say what lies at a path instead of a file; None where a file lies there, or nothing.

    >>> no_plain_file(Path(".")), no_plain_file(Path("not there"))
    ('a folder', None)
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):  # whoever opens it says what is wrong with it
        return None
    return next((name for is_kind, name in _KINDS if is_kind(mode)), None)


def require_plain_files(*folders: Path) -> None:
    """See that a folder of ours holds files and folders only, before any of them is opened; one that is not there does.

    Raises
    ------
    InputError : a pipe, a device or a socket lies in one
    """
    for folder in folders:
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            odd = no_plain_file(path)
            if odd not in (None, "a folder"):
                raise InputError(str(path), "a plain file", str(odd), "Take it away, or name another folder.")


def read_given(path: Path, expected: str, *, most_bytes: int, advice: str) -> bytes:
    """Read a file whole.

    Parameters
    ----------
    expected : what it should be, as in `InputError`
    most_bytes : no file of its kind is larger
    advice : what to do about one that is

    Raises
    ------
    InputError : it is not there, cannot be read, is no plain file, or is larger
    """
    odd = no_plain_file(path)
    if odd is not None:
        raise InputError(str(path), expected, odd, "Give the file itself.")
    try:
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except OSError as error:
        raise InputError(str(path), expected, found_instead(error), "Check the name and its rights.") from error
    except ValueError as error:  # a name with a NUL in it
        raise InputError(repr(str(path)), expected, "a name that no file can have", "Check the name.") from error
    if len(raw) > most_bytes:
        raise InputError(str(path), expected, f"more than {_rounded(most_bytes)}", advice)
    return raw


def _rounded(n_bytes: int) -> str:
    return f"{n_bytes // 1_000_000} MB" if n_bytes >= 1_000_000 else f"{n_bytes // 1000} kB"
