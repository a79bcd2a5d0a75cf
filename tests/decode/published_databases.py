"""The databases in cantools' source archive on the Python registry, kept in `.cache/`."""

import subprocess
import sys
import tarfile
from functools import cache
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[2]
_ARCHIVE = "cantools==45.1.0"
SUFFIXES = (".arxml", ".cdd", ".dbc", ".kcd", ".sym")


@cache
def cantools_databases() -> tuple[Path, ...]:
    """Give all database files, sound and broken; skips the test where the registry cannot be reached."""
    folder = _ROOT / ".cache" / "cantools-45.1.0"
    files = folder / "cantools-45.1.0" / "tests" / "files"
    if not files.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        command = ["download", "--quiet", "--no-deps", "--no-binary", ":all:", "--dest", str(folder), _ARCHIVE]
        done = subprocess.run([sys.executable, "-m", "pip", *command], capture_output=True, check=False, timeout=300)
        archives = sorted(folder.glob("cantools-*.tar.gz"))
        if done.returncode or not archives:
            pytest.skip("cantools' source archive cannot be fetched here")
        with tarfile.open(archives[0]) as archive:
            archive.extractall(folder, filter="data")
    return tuple(sorted(path for path in files.rglob("*") if path.suffix.lower() in SUFFIXES))
