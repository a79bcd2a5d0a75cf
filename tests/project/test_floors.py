"""The oldest versions that are allowed can be named as one set; `.ci/floors.py` writes it for pip."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def floors() -> ModuleType:
    spec = importlib.util.spec_from_file_location("floors", ROOT / ".ci" / "floors.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_each_dependency_of_users_has_one_oldest_version(floors: ModuleType) -> None:
    held = [Requirement(line) for line in floors.floors()]  # as PEP 508 has it
    assert len({one.name.lower() for one in held}) == len(held) > 20
    assert {str(one.specifier)[:2] for one in held} == {"=="}
    assert {"numpy", "numba", "asammdf", "dask"} <= {one.name for one in held}


def test_one_without_an_oldest_version_is_refused(floors: ModuleType, tmp_path: Path) -> None:
    project = tmp_path / "pyproject.toml"
    head = '[project]\ndependencies = ["numpy{floor}"]\n[project.optional-dependencies]\n'
    project.write_text(head.format(floor="<3"), encoding="utf-8")
    with pytest.raises(ValueError, match=r"numpy<3: expected NAME>=VERSION"):
        list(floors.floors(project))
    project.write_text(head.format(floor=">=2.1"), encoding="utf-8")
    (line,) = floors.floors(project)
    assert Requirement(line).specifier.contains(Version("2.1"))
