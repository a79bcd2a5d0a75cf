"""What was compiled before is loaded for less than what would be worth compiling for."""

import importlib
import sys
from pathlib import Path

import pytest

from busdoc.kernels import choice
from busdoc.kernels.choice import repays, repays_by_frames
from busdoc.kernels.kept import content_key, kernel_folder
from busdoc.kernels.native import NATIVE, machine_key

NAME = "kernels_of_a_test"
SOURCE = """from busdoc.kernels.compiled import compiled


@compiled("int64(int64)")
def twice(n):
    return 2 * n
"""


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / f"{NAME}.py").write_text(SOURCE, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, NAME, raising=False)
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("BUSDOC_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def keep(processor: str) -> None:
    """Lay something down where the machine code of the kernel is looked for."""
    kernel = importlib.import_module(NAME).twice
    folder = kernel_folder()
    assert folder is not None
    place = folder / content_key(kernel.py_func, kernel.py_func.__code__.co_filename)
    place.mkdir(parents=True)
    (place / f"twice-{processor}.native").touch()


@pytest.mark.usefixtures("cache")
def test_what_must_be_compiled_waits_for_a_large_input() -> None:
    assert not repays(0.99, NAME)
    assert repays(1.0, NAME)


@pytest.mark.usefixtures("cache")
@pytest.mark.skipif(not NATIVE, reason="numba takes as long to load as many frames take without it")
def test_what_is_kept_is_loaded_for_a_tenth_of_that() -> None:
    keep(machine_key())
    assert not repays(0.09, NAME)
    assert repays(0.1, NAME)
    assert not repays_by_frames(39_999, NAME)
    assert repays_by_frames(40_000, NAME)


@pytest.mark.usefixtures("cache")
def test_what_is_kept_for_another_processor_must_be_compiled() -> None:
    keep("anotherkind")
    assert not repays(0.5, NAME)


@pytest.mark.usefixtures("cache")
def test_without_a_compiler_no_input_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(choice, "has_compiler", lambda: False)
    assert not repays(100.0, NAME)


def test_where_nothing_is_kept_no_place_is_looked_at(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BUSDOC_CACHE", "")
    assert not repays(0.5, NAME)
    assert not cache.exists()
