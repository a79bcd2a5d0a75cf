"""What is kept of a kernel is kept under all that it was made of: its own module, and those of the kernels it calls."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from busdoc.capture.formats.asc import kernel
from busdoc.kernels.compiled import _content_key, _made_of

PARTS = """class Part:
    @staticmethod
    def py_func(n):
        return n + {by}
"""
CALLER = """from parts_of_a_test import Part
LIMIT = {limit}
def kernel(n):
    return min(LIMIT, Part.py_func(n))
"""


def module(path: Path, name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[name] = made
    spec.loader.exec_module(made)
    return made


def key(folder: Path, *, by: int, limit: int) -> str:
    (folder / "parts_of_a_test.py").write_text(PARTS.format(by=by), encoding="utf-8")
    (folder / "caller.py").write_text(CALLER.format(limit=limit), encoding="utf-8")
    module(folder / "parts_of_a_test.py", "parts_of_a_test")
    return _content_key(module(folder / "caller.py", "caller_of_a_test").kernel, str(folder / "caller.py"))


def test_a_parser_is_made_of_the_parts_that_parsers_share() -> None:
    files = _made_of(kernel._parse.py_func, kernel.__file__)
    assert {Path(file).name for file in files} == {"kernel.py", "kernel_parts.py"}


def test_a_change_in_what_a_kernel_calls_is_another_kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("parts_of_a_test", "caller_of_a_test"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))  # taken away again
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # two texts within a second look alike to it
    first = key(tmp_path, by=1, limit=9)
    assert key(tmp_path, by=1, limit=9) == first
    assert key(tmp_path, by=2, limit=9) != first
    assert key(tmp_path, by=1, limit=8) != first
