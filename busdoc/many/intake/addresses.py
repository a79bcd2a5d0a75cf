"""Addresses: local paths, and whatever else the user's environment can open through fsspec, brought here to be read."""

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from busdoc.capture.formats.files import RECORDING, suffix_of
from busdoc.errors import InputError, found_instead, in_one_line

__all__ = ["brought_here", "content_hash", "is_remote", "joined", "listed", "stamp_of"]

_BLOCK_BYTES = 1 << 20


def is_remote(address: str) -> bool:
    """Whether an address is for fsspec, and no path here.

    >>> is_remote("s3://park/day.log.gz"), is_remote("C:/day.log"), is_remote("/srv/day.log")
    (True, False, False)
    """
    return "://" in address


def joined(folder: str, name: str) -> str:
    """Give the address of what lies in a folder under a name, or the name itself where it says where it lies.

    >>> joined("s3://park/captures", "day.log"), joined("s3://park", "s3://other/day.log")
    ('s3://park/captures/day.log', 's3://other/day.log')
    """
    if is_remote(name):
        return name
    if is_remote(folder):
        return f"{folder.rstrip('/')}/{name.lstrip('/')}"
    return os.path.abspath(os.path.join(folder, os.path.expanduser(name)))


def listed(address: str) -> Iterator[str]:
    """Yield the addresses of the files that an address with * or ? stands for, or of those below a remote folder.

    Raises
    ------
    InputError : nothing there
    """
    with _opened(address) as (files, path):
        protocol = address.split("://", 1)[0]
        if any(mark in path for mark in "*?["):
            found = files.glob(path)
        elif files.isdir(path):
            found = files.find(path)
        else:
            found = [path] if files.exists(path) else []
        if not found:
            raise InputError(address, "captures", "nothing there", "Check the address.")
        yield from (f"{protocol}://{str(one).lstrip('/') if protocol != 'file' else one}" for one in sorted(found))


def stamp_of(addresses: Sequence[str]) -> str | None:
    """Give what changes with the content without reading it: sizes and times of change; None: nothing tells.

    An object store's own mark of the content counts where it has one.
    """
    stamps = []
    try:
        for address in addresses:
            if is_remote(address):
                with _opened(address) as (files, path):
                    stamps.append(str(files.ukey(path)))
                continue
            for file in _files_at(Path(address)):
                status = file.stat()
                stamps.append(f"{file.name} {status.st_size} {status.st_mtime_ns}")
    except (OSError, InputError, NotImplementedError):
        return None
    return hashlib.sha256("\n".join(stamps).encode()).hexdigest()


def content_hash(paths: Sequence[Path]) -> str:
    """Give the SHA-256 over the content of files, or of all the files below folders.

    Names count in a folder only; of a single file its suffix does, which says how it is read.

    Raises
    ------
    OSError : one cannot be read
    """
    whole = hashlib.sha256()
    for path in paths:
        for file in _files_at(path):
            name = suffix_of(file) if file == path else file.relative_to(path).as_posix()
            whole.update(name.encode("utf-8", "surrogateescape") + b"\0")
            with file.open("rb") as opened:
                whole.update(hashlib.file_digest(opened, "sha256").digest())
    return whole.hexdigest()


@contextlib.contextmanager
def brought_here(addresses: Sequence[str]) -> Iterator[list[Path]]:
    """Give a local path for each address; what lies elsewhere is copied to a folder that goes with the context.

    Raises
    ------
    InputError : one cannot be fetched
    """
    with contextlib.ExitStack() as stack:
        paths = []
        for number, address in enumerate(addresses):
            if not is_remote(address):
                paths.append(Path(address))
                continue
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="busdoc-fetched-")))
            target = folder / str(number) / (PurePosixPath(address).name or "capture")
            target.parent.mkdir()
            _fetch(address, target)
            paths.append(target)
        yield paths


def _fetch(address: str, target: Path) -> None:
    with _opened(address) as (files, path):
        if files.isdir(path):
            files.get(path.rstrip("/") + "/", str(target) + os.sep, recursive=True)
            return
        with files.open(path, "rb") as source, target.open("wb") as copy:
            while block := source.read(_BLOCK_BYTES):
                copy.write(block)


@contextlib.contextmanager
def _opened(address: str) -> Iterator[tuple[Any, str]]:
    """Give the file system of an address, and the path in it; what goes wrong there becomes a sentence.

    Raises
    ------
    InputError : fsspec is missing, or the place does not answer, or holds nothing by this name
    """
    try:
        import fsspec
    except ImportError as error:
        raise InputError(
            address, "the library fsspec for it", "none", "Install it: python -m pip install fsspec"
        ) from error
    try:
        files, path = fsspec.core.url_to_fs(address)
        yield files, path
    except InputError:
        raise
    except ImportError as error:
        raise InputError(
            address, "a library for such addresses", in_one_line(error), "Install what it names, for example s3fs."
        ) from error
    except OSError as error:
        raise InputError(address, "a file that can be fetched", found_instead(error), "Check the address.") from error
    except Exception as error:  # each kind of storage has errors of its own
        raise InputError(
            address, "a file that can be fetched", in_one_line(error), "Check the address and your rights."
        ) from error


def _files_at(path: Path) -> list[Path]:
    """Give the files of a recording in the order in which they count; a session's own lock and store do not."""
    if not path.is_dir():
        return [path]
    kept = [one for one in sorted(path.rglob("*")) if one.is_file()]
    if (path / RECORDING).is_dir():
        kept = [one for one in kept if one.suffix != ".lock" and not one.name.endswith(("-wal", "-shm"))]
    return kept
