"""What tests may do: they share `tests/truth` with the benchmarks and nothing else, and none is timed."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
IMPORT = re.compile(r"^\s*(?:from|import)\s+((?:tests|benchmarks)\b[\w.]*)", re.MULTILINE)
"""As text, so that the small programs which tests start count as well."""
TIMED = re.compile(r"\b(?:sleep|perf_counter|process_time|thread_time|timeit)(?:_ns)?\(")


def imported(folder: str) -> list[tuple[str, str]]:
    """Pair each file of a folder with each module of tests and benchmarks that it imports."""
    paths = sorted((ROOT / folder).rglob("*.py"))
    return [(str(path.relative_to(ROOT)), name) for path in paths for name in IMPORT.findall(path.read_text("utf-8"))]


def test_no_test_imports_a_benchmark_or_another_module_of_tests() -> None:
    found = imported("tests")
    assert len(found) > 50
    assert [pair for pair in found if pair[1].startswith("benchmarks")] == []
    assert [pair for pair in found if pair[1].split(".")[-1].startswith("test_")] == []


def test_benchmarks_import_the_shared_truth_and_no_other_tests() -> None:
    found = imported("benchmarks")
    assert [pair for pair in found if pair[1].startswith("tests") and not pair[1].startswith("tests.truth.")] == []


def test_the_shared_truth_stands_by_itself() -> None:
    assert [pair for pair in imported("tests/truth") if not pair[1].startswith("tests.truth.")] == []


@pytest.mark.parametrize("folder", ["busdoc", "docs"])
def test_the_package_knows_neither(folder: str) -> None:
    assert imported(folder) == []


def test_no_test_sleeps_or_asks_how_long_something_took() -> None:
    """A busy computer makes no test fail: they wait for what is to happen, and speed is what benchmarks measure."""
    paths = [path for path in sorted((ROOT / "tests").rglob("*.py")) if path != Path(__file__)]
    assert [str(path.relative_to(ROOT)) for path in paths if TIMED.search(path.read_text("utf-8"))] == []
