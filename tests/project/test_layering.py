"""Data flows one way: a module imports only from folders to its left, and help loads nothing heavy."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import busdoc

PACKAGE = Path(busdoc.__file__).parent
FLOW = ("capture", "decode", "health", "actions", "isolation", "report", "live", "screen")
FOUNDATION = {"arrays", "errors", "__version__"}
JOINED = {"live": {"postmortem", "resync", "returns", "watches"}}
"""The session at the machine joins the folders, and may use what already joins some of them."""


def imports_of(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "busdoc":
            if node.module == "busdoc":
                yield from (name.name for name in node.names)
            else:
                yield node.module.split(".")[1]
        elif isinstance(node, ast.Import):
            yield from (name.name.split(".")[1] for name in node.names if name.name.startswith("busdoc."))


@pytest.mark.parametrize("folder", FLOW)
def test_a_folder_imports_only_from_those_to_its_left(folder: str) -> None:
    allowed = set(FLOW[: FLOW.index(folder) + 1]) | FOUNDATION | JOINED.get(folder, set())
    modules = list((PACKAGE / folder).rglob("*.py"))
    assert modules
    wrong = {str(path.name): set(imports_of(path)) - allowed for path in modules}
    assert {name: found for name, found in wrong.items() if found} == {}


def test_the_analysis_never_imports_the_simulator() -> None:
    analysis = [path for folder in FLOW for path in (PACKAGE / folder).rglob("*.py")]
    assert [path.name for path in analysis if "simulate" in set(imports_of(path))] == []


def test_the_simulator_never_imports_the_analysis() -> None:
    allowed = {"capture", "actions", "simulate"} | FOUNDATION
    for path in (PACKAGE / "simulate").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        wrong = set(imports_of(path)) - allowed
        if "busdoc.health.controller import" in text and "busdoc.health." not in text.replace(
            "busdoc.health.controller", ""
        ):
            wrong -= {"health"}  # the record that the machine map itself is made of
        assert not wrong, path.name


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from busdoc.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'cantools', 'can', 'numba', 'scipy', 'textual', 'asammdf', 'matplotlib', 'rich'}\n"
        "sys.exit(' '.join(sorted(heavy & set(sys.modules))) or 0)\n"
    )
    finished = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert finished.returncode == 0, finished.stderr
