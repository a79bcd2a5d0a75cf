"""Source archives on the Python registry, whose test data are oracles for ours: fetched once, kept in `.cache/`."""

import subprocess
import sys
import tarfile
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

__all__ = ["source_archive"]

_CACHE = Path(__file__).resolve().parents[1] / ".cache" / "sources"


def source_archive(name: str, version: str) -> Path:
    """Give the unpacked archive's folder; skips the test where the registry cannot be reached.

    It is unpacked apart and then moved there, so that no other test process sees half of it.
    """
    kept = _CACHE / f"{name}-{version}"
    if kept.is_dir():
        return kept
    _CACHE.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=_CACHE) as scratch:
        command = ["download", "--quiet", "--no-deps", "--no-binary", ":all:", "--dest", scratch, f"{name}=={version}"]
        done = subprocess.run([sys.executable, "-m", "pip", *command], capture_output=True, check=False, timeout=300)
        archives = sorted(Path(scratch).glob("*.tar.gz"))
        if done.returncode or not archives:
            pytest.skip(f"the source archive of {name} cannot be fetched here")
        with tarfile.open(archives[0]) as archive:
            archive.extractall(scratch, filter="data")
        unpacked = Path(scratch) / archives[0].name.removesuffix(".tar.gz")
        try:
            unpacked.rename(kept)
        except OSError:
            if not kept.is_dir():  # another process was first
                raise
    return kept
