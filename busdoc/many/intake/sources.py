"""What a command names as its sources: manifests, captures, folders of machines, sessions, addresses elsewhere."""

import glob
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path, PurePosixPath

from busdoc.capture.formats.files import suffix_of
from busdoc.capture.formats.find import find_captures
from busdoc.capture.formats.suffixes import READERS
from busdoc.errors import InputError
from busdoc.many.intake.addresses import is_remote, listed
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.intake.manifest import is_manifest, read_manifest
from busdoc.session.folder import is_session

__all__ = ["captures_of"]

_MAP, _JOURNAL = "machine.toml", "actions.csv"
_DATABASES = (".dbc", ".kcd", ".sym", ".arxml", ".cdd")


def captures_of(
    sources: Sequence[str],
    *,
    machine_file: str | None = None,
    databases: Sequence[tuple[int | str | None, str]] = (),
) -> Iterator[FleetCapture]:
    """Yield every capture that the sources stand for, in an order that does not change.

    Parameters
    ----------
    sources : manifests, capture files, folders (every capture file and every session below it is one recording),
        names with * and ?, and addresses for fsspec
    machine_file, databases : for captures that bring none of their own

    Raises
    ------
    InputError : a source that is not there, or a manifest that cannot be used
    """
    for source in sources:
        for found in _of_one(source):
            yield replace(
                found,
                machine_file=found.machine_file or machine_file,
                databases=found.databases or tuple(databases),
            )


def _of_one(source: str) -> Iterator[FleetCapture]:
    if is_remote(source):
        yield from _of_remote(source)
        return
    path = Path(source)
    if not path.exists() and any(mark in source for mark in "*?["):
        names = sorted(glob.glob(source, recursive=True))
        if not names:
            raise InputError(source, "captures by these names", "none", "Check the path and the pattern.")
        for name in names:
            yield from _of_one(name)
    elif is_manifest(path) or (path.is_file() and path.suffix.lower() == ".csv" and not _opens_like_a_capture(path)):
        yield from read_manifest(path)  # where it is none, it says what it lacks
    elif path.is_dir() and not is_session(path):
        n_found = 0
        for found in _below(path, path):
            n_found += 1
            yield found
        if not n_found:
            raise InputError(source, "captures in this folder or below", "none", _kinds())
    else:
        if not path.exists():
            raise InputError(source, "a capture, a folder or a manifest", "nothing by this name", "Check the path.")
        yield _local(path, path.parent)


def _below(folder: Path, top: Path) -> Iterator[FleetCapture]:
    """Yield the captures of a folder, then those of the folders in it."""
    files: list[str] = []
    folders: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith("."):
                continue
            (folders if entry.is_dir() else files).append(entry.name)
    captures = [folder / name for name in sorted(files) if _is_capture(folder / name)]
    for path in captures:
        found = _local(path, top)
        beside = folder / _JOURNAL
        yield replace(found, journal=_here(beside)) if len(captures) == 1 and beside.is_file() else found
    for name in sorted(folders):
        inner = folder / name
        if is_session(inner):
            yield _local(inner, top)
        else:
            yield from _below(inner, top)


def _is_capture(path: Path) -> bool:
    """Whether a file in a folder is taken for a capture; where others use the suffix too, its content must say so."""
    suffix = suffix_of(path)
    if suffix not in READERS:
        return False
    if not READERS[suffix].shared:
        return True
    try:
        find_captures([path])
    except InputError:
        return False
    return path.suffix != suffix or _opens_like_a_capture(path)


def _opens_like_a_capture(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(64).lower()
    return head.lstrip(b"\xef\xbb\xbf").startswith(READERS[suffix_of(path)].opens)


def _local(path: Path, top: Path) -> FleetCapture:
    """Name the machine after the folder, and take the map and databases that lie there or above, up to `top`."""
    folder = path.parent
    own_map = is_session(path) and (path / _MAP).is_file()
    machine_file, databases = _beside(folder, top)
    return FleetCapture(
        files=(_here(path),),
        machine=Path(_here(folder)).name or "machine",
        machine_file=_here(path / _MAP) if own_map else machine_file,
        databases=() if is_session(path) and (path / "databases").is_dir() else databases,
    )


@lru_cache(maxsize=4096)
def _beside(folder: Path, top: Path) -> tuple[str | None, tuple[tuple[None, str], ...]]:
    """Give the map and the databases of a folder, each from the nearest of it and those above, up to `top`."""
    machine_file = _here(folder / _MAP) if (folder / _MAP).is_file() else None
    databases = tuple((None, _here(one)) for one in sorted(folder.iterdir()) if one.suffix.lower() in _DATABASES)
    if folder != top and top in folder.parents:
        above_map, above = _beside(folder.parent, top)
        return machine_file or above_map, databases or above
    return machine_file, databases


def _of_remote(source: str) -> Iterator[FleetCapture]:
    """Yield the captures below an address, with what lies beside them or above, as in a folder here."""
    folders: dict[str, list[str]] = {}
    for address in listed(source):
        folder, _, name = address.rpartition("/")
        folders.setdefault(folder, []).append(name)
    n_found = 0
    for folder, names in folders.items():
        captures = [name for name in names if suffix_of(Path(name)) in READERS and name != _JOURNAL]
        if not captures:
            continue
        machine_file, databases = _beside_remote(folder, folders)
        journal = f"{folder}/{_JOURNAL}" if _JOURNAL in names and len(captures) == 1 else None
        for name in captures:
            n_found += 1
            yield FleetCapture(
                files=(f"{folder}/{name}",),
                machine=PurePosixPath(folder).name or "machine",
                machine_file=machine_file,
                databases=databases,
                journal=journal,
            )
    if not n_found:
        raise InputError(source, "captures there", "none", _kinds())


def _beside_remote(
    folder: str, folders: Mapping[str, Sequence[str]]
) -> tuple[str | None, tuple[tuple[None, str], ...]]:
    """Give the map and the databases of a folder elsewhere, each from the nearest of it and those above it."""
    machine_file: str | None = None
    databases: tuple[tuple[None, str], ...] = ()
    while not (machine_file and databases) and not folder.endswith("/"):
        names = folders.get(folder, ())
        if machine_file is None and _MAP in names:
            machine_file = f"{folder}/{_MAP}"
        databases = databases or tuple(
            (None, f"{folder}/{name}") for name in names if PurePosixPath(name).suffix.lower() in _DATABASES
        )
        folder = folder.rpartition("/")[0]
    return machine_file, databases


def _here(path: Path) -> str:
    return os.path.abspath(path)


def _kinds() -> str:
    return f"Captures are read by these suffixes: {', '.join(READERS)}, each also with .gz or .zst."
