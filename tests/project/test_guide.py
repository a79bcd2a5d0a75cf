"""The guide for contributors names only what is there: paths, benchmarks, and every folder of the package."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOPS = ("busdoc", "tests", "benchmarks", "docs", ".ci", ".github")
FOLDERS = sorted(
    path.name
    for path in (ROOT / "busdoc").iterdir()
    if path.is_dir() and any(path.rglob("*.py")) and path.name[0] != "_"
)


def test_every_path_that_it_names_is_there() -> None:
    named = set(re.findall(r"`([\w.]+(?:/[\w.]+)*(?:/|\.py|\.toml|\.md))`", GUIDE))
    assert len(named) > 40
    # Some are said from below the package, or in the sentence about the folder that they are in.
    there = {path.relative_to(ROOT).as_posix() for top in TOPS for path in (ROOT / top).rglob("*")} | set(TOPS)
    there |= {path.name for path in ROOT.iterdir()} | {".cache"}  # made by the tests that fetch what was published
    missing = [name for name in named if not any(f"/{path}".endswith(f"/{name.rstrip('/')}") for path in there)]
    assert sorted(missing) == []


def is_run(path: Path) -> bool:
    """Whether `python -m` takes it: a module, or a package that says what it runs."""
    return path.with_suffix(".py").exists() or (path / "__main__.py").exists()


def test_every_benchmark_that_it_names_is_there() -> None:
    named = set(re.findall(r"benchmarks\.([a-z_.]+[a-z_])", GUIDE))
    assert named
    paths = (ROOT / "benchmarks" / name.replace(".", "/") for name in named)
    assert sorted(str(path) for path in paths if not is_run(path)) == []


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_folder_of_the_package_has_its_line(folder: str) -> None:
    assert f"| `busdoc/{folder}/` |" in GUIDE
