"""python-can's own test captures, out of its source archive on the Python registry, kept in `.cache/`."""

import subprocess
import sys
import tarfile
from functools import cache
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[2]
_ARCHIVE = "python-can==4.6.1"


@cache
def python_can_captures() -> Path:
    """Give the folder of python-can's test captures; skips the test where the registry cannot be reached."""
    folder = _ROOT / ".cache" / "python-can-4.6.1"
    data = folder / "python_can-4.6.1" / "test" / "data"
    if not data.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        command = ["download", "--quiet", "--no-deps", "--no-binary", ":all:", "--dest", str(folder), _ARCHIVE]
        done = subprocess.run([sys.executable, "-m", "pip", *command], capture_output=True, check=False, timeout=300)
        archives = sorted(folder.glob("python_can-*.tar.gz"))
        if done.returncode or not archives:
            pytest.skip("python-can's source archive cannot be fetched here")
        with tarfile.open(archives[0]) as archive:
            archive.extractall(folder, filter="data")
    return data
