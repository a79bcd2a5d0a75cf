"""A lock on an open file that dies with the process: two programs must not write one recording."""

import sys
from typing import BinaryIO

__all__ = ["try_lock"]

_FAR_BYTE = 0x7FFF_FF00
"""Windows keeps others from reading a locked stretch, so one is locked that no such file reaches."""


def try_lock(file: BinaryIO) -> bool:
    """Lock a file for this process until it is closed; False when another process, or another opening, holds it."""
    if sys.platform == "win32":
        import msvcrt

        at = file.tell()
        file.seek(_FAR_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            file.seek(at)
        return True
    import fcntl

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks, such as some network drives
        return True
    return True
