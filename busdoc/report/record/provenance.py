"""What is needed to repeat an analysis: the exact command, the versions, and the hashes of the files that went in."""

import hashlib
import platform
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path

from busdoc.analysis.result import Result

__all__ = ["InputFile", "Provenance", "file_hash", "provenance"]

_LIBRARIES = ("numpy", "numba", "scipy", "python-can", "cantools", "matplotlib")
"""Those that take part in reading, computing or drawing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that went in."""

    role: str
    path: Path
    n_bytes: int | None
    """None: it could not be read again."""
    sha256: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """How the record came about."""

    command: str
    versions: tuple[tuple[str, str], ...]
    files: tuple[InputFile, ...]


def provenance(result: Result, command: str) -> Provenance:
    """Hash the files of a result and name the versions that made it; reads every file once."""
    return Provenance(command=command, versions=tuple(_versions()), files=tuple(_files(result)))


def _versions() -> Iterator[tuple[str, str]]:
    yield "busdoc", metadata.version("busdoc")
    yield "Python", platform.python_version()
    yield "system", f"{platform.system()} {platform.machine()}"
    for name in _LIBRARIES:
        try:
            yield name, metadata.version(name)
        except metadata.PackageNotFoundError:
            continue


def _files(result: Result) -> Iterator[InputFile]:
    named = [("capture", path) for path in result.capture.files]
    named += [("database", path) for path in result.databases]
    named += [("machine map", path) for path in (result.machine_file,) if path is not None]
    named += [("journal", path) for path in (result.journal_file,) if path is not None]
    for role, path in named:
        try:
            yield InputFile(role=role, path=path, n_bytes=path.stat().st_size, sha256=file_hash(path))
        except OSError:
            yield InputFile(role=role, path=path, n_bytes=None, sha256=None)


def file_hash(path: Path) -> str:
    """Give a file's SHA-256; a file that has not changed since is not read again.

    Raises
    ------
    OSError : it cannot be read
    """
    status = path.stat()
    return _hash(path, status.st_size, status.st_mtime_ns)


@lru_cache(maxsize=256)
def _hash(path: Path, n_bytes: int, changed_ns: int) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
