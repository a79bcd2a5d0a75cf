"""A small file of ours that appears whole, or not at all, whatever happens meanwhile; it is on the disk then."""

import os
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes, *, mode: int = 0o666) -> None:
    """Write a file, in place of one that was there.

    Parameters
    ----------
    mode : its rights, less what the umask takes; on Windows those of its folder hold

    Raises
    ------
    OSError : it could not be written; what was there is there still
    """
    part = path.with_name(f".{path.name}.part")
    number = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), mode)
    try:
        with open(number, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
