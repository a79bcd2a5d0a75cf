"""What is kept of a kernel is kept under all that it was made of: its own module, and those of the kernels it calls."""

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from busdoc.capture.formats.asc import kernel
from busdoc.kernels.compiled import Kernel, entry_kernels
from busdoc.kernels.kept import content_key, kernel_folder, made_of
from busdoc.kernels.native import NATIVE, Object, kinds_of, read_object, write_object

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
    return content_key(module(folder / "caller.py", "caller_of_a_test").kernel, str(folder / "caller.py"))


def test_a_parser_is_made_of_the_parts_that_parsers_share() -> None:
    files = made_of(kernel._parse.py_func, kernel.__file__)
    assert {Path(file).name for file in files} == {"kernel.py", "kernel_parts.py"}


def test_a_change_in_what_a_kernel_calls_is_another_kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("parts_of_a_test", "caller_of_a_test"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))  # taken away again
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # two texts within a second look alike to it
    first = key(tmp_path, by=1, limit=9)
    assert key(tmp_path, by=1, limit=9) == first
    assert key(tmp_path, by=2, limit=9) != first
    assert key(tmp_path, by=1, limit=8) != first


BOTH = """
from typing import NamedTuple

import numpy as np

from busdoc.kernels.compiled import FromNumba, compiled

class Pair(NamedTuple):
    numbers: np.ndarray
    marks: np.ndarray

TWICE = FromNumba(lambda: 2)

@compiled("int64(int64, int64)")
def scaled(number, by):
    return number * by * TWICE

@compiled()
def added(pair, factor, only_marked, places):
    total = 0
    for at in range(len(pair.numbers)):
        if pair.marks[at] or not only_marked:
            total += scaled(pair.numbers[at], factor)
            places[0, 1] += 1.5
    return total, total > 10

@compiled("int64(int64[::1])")
def allocating(numbers):
    return len(numbers.copy())

@compiled("int64(int64, int64)")
def divided(number, by):
    return number // by
"""


@pytest.fixture
def both(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.setattr("busdoc.kernels.compiled.kernel_folder", lambda: tmp_path / "kept")
    monkeypatch.setitem(sys.modules, "both_of_a_test", ModuleType("both_of_a_test"))
    (tmp_path / "both_of_a_test.py").write_text(BOTH, encoding="utf-8")
    return module(tmp_path / "both_of_a_test.py", "both_of_a_test")


@pytest.mark.skipif(not NATIVE, reason="here numba keeps them itself")
def test_a_kernel_gives_what_the_function_gives_as_kept_machine_code_and_as_numbas_own(both: ModuleType) -> None:
    def asked(kernel: Kernel) -> tuple[object, float]:
        pair = both.Pair(np.arange(6), np.array([0, 1, 0, 1, 1, 0], np.bool_))
        places = np.zeros((2, 2))
        return kernel(pair, 3, True, places), float(places[0, 1])

    first = asked(both.added)
    again = Kernel(both.added.py_func, None, {})
    assert first == asked(again) == asked(again.for_numba(alone=False)) == ((2 * 3 * (1 + 3 + 4), True), 4.5)
    assert not both.added._is_left_to_numba
    assert not again._is_left_to_numba
    assert again._path is not None
    assert len(list(again._path.parent.glob("added-*.native"))) == 1
    # what it was not made for, numba takes
    assert both.scaled(4, 5) == 40
    assert both.scaled(np.uint8(4), 5) == 40
    assert again(both.Pair(np.arange(6, dtype=np.int32), np.ones(6, np.bool_)), 1, True, np.zeros((2, 2))) == (30, True)


def test_where_nothing_is_to_be_kept_kernels_are_made_all_the_same(
    both: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    monkeypatch.setenv("BUSDOC_CACHE", "")
    monkeypatch.setattr("busdoc.kernels.compiled.kernel_folder", kernel_folder)
    before = set(tmp_path.rglob("*"))
    assert both.divided(7, 2) == 3
    assert both.divided.for_numba(alone=False)(9, 2) == 4
    assert not both.divided.is_kept()
    assert set(tmp_path.rglob("*")) == before


@pytest.mark.skipif(not NATIVE, reason="here numba keeps them itself")
def test_kernels_that_need_numba_or_fail_are_left_to_numba(both: ModuleType) -> None:
    assert both.allocating(np.arange(3)) == 3
    assert both.allocating._is_left_to_numba
    with pytest.raises(ZeroDivisionError):
        both.divided(1, 0)
    assert both.divided(7, 2) == 3
    assert {one.py_func.__name__ for one in entry_kernels(both)} == {"added", "allocating", "divided"}


def test_machine_code_that_is_damaged_is_not_read(tmp_path: Path) -> None:
    made = Object(symbol="f", kinds=("i",), parameters="ip", results=None, code=b"\x7fELF\n\0")
    path = tmp_path / "folder" / "f.native"
    assert read_object(path) is None
    write_object(path, made)
    assert read_object(path) == made
    whole = path.read_bytes()
    for damaged in (whole[:-1], whole[: len(whole) // 2], b"", b"\0" * 100, whole[:-1] + b"\1"):
        path.write_bytes(damaged)
        assert read_object(path) is None


def test_arrays_are_told_apart_by_type_and_layout() -> None:
    square = np.zeros((2, 2), np.float32)
    kinds, values = kinds_of([square, square[:, 0], (1, True), 2.0, np.int64(3)])
    assert kinds == ["<f42", "scattered", "(", "i", "b", ")", "f", "i"]
    assert values[1:3] == [2, 2]
    assert values[5:] == [1, 1, 2.0, 3]


@pytest.mark.skipif(not NATIVE, reason="here numba keeps them itself")
def test_kept_kernels_are_called_without_numba() -> None:
    source = (
        "import sys, numpy as np\n"
        "from busdoc.decode.signals.kernel import group_rows, match_streams\n"
        "def go():\n"
        "    edges, rows = np.empty(3, np.int64), np.empty(4, np.int64)\n"
        "    group_rows(np.array([1, 0, -1, 1], np.int32), edges, np.empty(3, np.int64), rows)\n"
        "    return edges.tolist(), rows[:3].tolist()\n"
        "print(*go(), 'numba' in sys.modules)"
    )
    for _ in range(2):
        done = subprocess.run([sys.executable, "-c", source], capture_output=True, text=True, check=True)
    assert done.stdout == "[0, 1, 3] [1, 0, 3] False\n"
