"""The databases in cantools' source archive."""

from functools import cache
from pathlib import Path

from tests.source_archives import source_archive

SUFFIXES = (".arxml", ".cdd", ".dbc", ".kcd", ".sym")


@cache
def cantools_databases() -> tuple[Path, ...]:
    """Give all database files, sound and broken; skips the test where the registry cannot be reached."""
    files = source_archive("cantools", "45.1.0") / "tests" / "files"
    return tuple(sorted(path for path in files.rglob("*") if path.suffix.lower() in SUFFIXES))
