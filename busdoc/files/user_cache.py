"""Where what can be made again is kept for the next time, and how it is put there: whole, and without a word.

The environment variable ``BUSDOC_CACHE`` names another folder; set to nothing, it turns the keeping off.
"""

import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

__all__ = ["keep_for_later", "user_cache"]


def user_cache(room: str) -> Path | None:
    """Give the folder of a kind of thing, where the system's programs keep what they can make again.

    Returns
    -------
    It need not exist; None: nothing is kept
    """
    named = os.environ.get("BUSDOC_CACHE")
    if named is not None:
        return Path(named) / room if named else None
    try:
        home = Path.home()
    except RuntimeError:  # a user without one
        return None
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return (Path(local) if local else home / "AppData" / "Local") / "busdoc" / "cache" / room
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "busdoc" / room
    # XDG Base Directory Specification: a relative path there is to be ignored
    given = Path(os.environ.get("XDG_CACHE_HOME", ""))
    return (given if given.is_absolute() else home / ".cache") / "busdoc" / room


def keep_for_later(path: Path, data: bytes) -> bool:
    """Keep a file, whole or not at all, beside other processes that do the same; whether that went well."""
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        number, unfinished = tempfile.mkstemp(dir=path.parent)
        try:
            with os.fdopen(number, "wb") as written:
                written.write(data)
            os.replace(unfinished, path)  # at once: another process may read it meanwhile
            return True
        finally:
            Path(unfinished).unlink(missing_ok=True)
    return False
