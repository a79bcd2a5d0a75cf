"""A stream written to a file as it comes, as long as the disk has room for others too."""

import math
import shutil
from collections.abc import Iterable
from pathlib import Path

from busdoc.errors import InputError

__all__ = ["spool"]

_KEPT_FREE_BYTES = 1 << 30
_LOOK_EVERY_BYTES = 16 << 20


def spool(pieces: Iterable[bytes | memoryview], path: Path, where: str, *, most_bytes: float = math.inf) -> int:
    """Write pieces to a new file; give how many bytes that made.

    Parameters
    ----------
    where : what they come from, as in `InputError`
    most_bytes : no capture has more

    Raises
    ------
    InputError : the disk has less than a gigabyte left, or there is more than `most_bytes`
    OSError : it cannot be written
    """
    n_bytes = n_looked = 0
    with path.open("wb") as file:
        for piece in pieces:
            if n_bytes >= n_looked:
                n_looked = n_bytes + _LOOK_EVERY_BYTES
                if shutil.disk_usage(path.parent).free < _KEPT_FREE_BYTES:
                    raise InputError(
                        where,
                        "room for a copy of the capture",
                        f"a disk that is nearly full under {path.parent}",
                        "Make room, or set TMPDIR (on Windows TEMP) to a folder on a larger disk.",
                    )
            file.write(piece)
            n_bytes += len(piece)
            if n_bytes > most_bytes:
                found = f"one that inflates to more than {most_bytes / 1e6:,.0f} MB"
                raise InputError(where, "a capture", found, "Check that this is the right file.")
    return n_bytes
