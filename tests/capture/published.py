"""python-can's own test captures, out of its source archive."""

from functools import cache
from pathlib import Path

from tests.source_archives import source_archive


@cache
def python_can_captures() -> Path:
    """Give the folder of python-can's test captures; skips the test where the registry cannot be reached."""
    return source_archive("python-can", "4.6.1") / "test" / "data"
