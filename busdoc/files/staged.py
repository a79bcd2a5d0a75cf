"""Files of a folder that appear together, once all of them are whole, in the place of those of the time before."""

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from busdoc.errors import InputError, found_instead

__all__ = ["staged_folder"]


@contextlib.contextmanager
def staged_folder(folder: Path, is_ours: Callable[[str], bool]) -> Iterator[Path]:
    """Give a folder to write to; what is in it then takes the place of the files that are ours in `folder`.

    Where the work within fails, `folder` is as it was.

    Parameters
    ----------
    is_ours : tells by its name whether a file in `folder` is one that an earlier run left there

    Raises
    ------
    OSError : the folder cannot be made or written
    InputError : a file that would be replaced is held by another program; none is replaced then
    """
    was_there = folder.is_dir()
    folder.mkdir(parents=True, exist_ok=True)
    stage = Path(tempfile.mkdtemp(prefix=".writing-", dir=folder))  # on the same disk, so that a move is a rename
    try:
        yield stage
        written = {path.name for path in stage.iterdir()}
        _see_that_replaceable([folder / name for name in sorted(written)])
        for path in [path for path in folder.iterdir() if path.is_file()]:
            if is_ours(path.name) and path.name not in written:
                path.unlink()
        for path in sorted(stage.iterdir()):
            os.replace(path, folder / path.name)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
        if not was_there:
            with contextlib.suppress(OSError):  # one with files in it stays
                folder.rmdir()


def _see_that_replaceable(files: Iterable[Path]) -> None:
    """See before the first file is replaced that all can be: a spreadsheet may hold one that it shows."""
    for file in files:
        try:
            with file.open("r+b"):
                pass
        except FileNotFoundError:
            continue
        except OSError as error:
            raise InputError(
                str(file),
                "a file of an earlier run, to be replaced",
                found_instead(error),
                "Close it in the program that shows it, or name another folder.",
            ) from error
