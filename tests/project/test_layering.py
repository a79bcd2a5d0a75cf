"""Data flows one way: every module of the package imports only from its own room and from those to its left."""

import ast
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

import pytest

import busdoc
from busdoc import api

PACKAGE = Path(busdoc.__file__).parent
FLOW = (
    *("errors", "arrays", "times", "words", "files", "kernels"),
    *("capture", "decode", "machine", "health", "actions", "symptoms"),
    *("resync_check", "isolation", "intermittent"),
    *("session", "analysis", "report", "many", "live", "screen", "page"),
    *("simulation", "api", "__init__", "cli", "__main__"),
)
"""From left to right. What is imported inside a function, or for types alone, counts as well."""
WORLD = frozenset(FLOW[: FLOW.index("machine") + 1]) | {"actions"}
"""What the simulator may know: how frames are written, what a map and a journal say; nothing of how they are judged."""
MOST_FILES = 16
"""In one folder, the package's own file and the sub-folders not counted."""
MODULES = {
    ".".join(("busdoc", *path.relative_to(PACKAGE).with_suffix("").parts)): path for path in PACKAGE.rglob("*.py")
}


def imports_of(path: Path) -> Iterator[str]:
    """Yield the module of the package behind each import, wherever in the file it stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "busdoc":
            assert node.level == 0, f"{path}: a relative import"
            inside = [f"{node.module}.{name.name}" for name in node.names]
            yield from (known(one) or known(node.module) or node.module for one in inside)
        elif isinstance(node, ast.Import):
            yield from (known(name.name) or name.name for name in node.names if name.name.split(".")[0] == "busdoc")


def known(dotted: str) -> str | None:
    """Give a module by its dotted name, a folder by that of the file that stands for it; None: it is neither."""
    return dotted if dotted in MODULES else f"{dotted}.__init__" if f"{dotted}.__init__" in MODULES else None


def room_of(module: str) -> str:
    return module.split(".")[1]


@cache
def graph() -> Mapping[str, Sequence[str]]:
    """Give for each module those that it imports; read once, when a test asks: collecting is done by every worker."""
    return {module: sorted(set(imports_of(path)) - {module}) for module, path in MODULES.items()}


def test_every_module_has_a_place_in_the_flow() -> None:
    assert {room_of(module) for module in MODULES} == set(FLOW)


@pytest.mark.parametrize("module", sorted(MODULES))
def test_a_module_imports_only_from_its_own_room_and_those_to_its_left(module: str) -> None:
    room = room_of(module)
    allowed = WORLD | {room} if room == "simulation" else set(FLOW[: FLOW.index(room) + 1])
    if room not in ("api", "__init__", "cli", "__main__"):
        allowed -= {"simulation"} - {room}
    assert [found for found in graph()[module] if room_of(found) not in allowed] == []


def test_no_module_can_be_reached_from_itself() -> None:
    done: set[str] = set()

    def follow(module: str, way: tuple[str, ...]) -> None:
        assert module not in way, " -> ".join((*way[way.index(module) :], module))
        if module not in done:
            for found in graph().get(module, ()):
                follow(found, (*way, module))
            done.add(module)

    for module in graph():
        follow(module, ())


def test_no_two_folders_import_each_other() -> None:
    """Folders inside a room too: of two that stand side by side one knows the other, or neither does."""
    arrows = {
        (a, b) for module, found in graph().items() for other in found for a, b in [where_they_part(module, other)]
    }
    assert sorted((a, b) for a, b in arrows if a < b and (b, a) in arrows) == []


def where_they_part(one: str, other: str) -> tuple[str, str]:
    """Give the two things of one folder, themselves modules or folders, in which two modules stand."""
    ours, theirs = one.split("."), other.split(".")
    n = next(n for n, (a, b) in enumerate(zip(ours, theirs, strict=False)) if a != b)
    return ".".join(ours[: n + 1]), ".".join(theirs[: n + 1])


def test_a_folder_holds_no_more_than_can_be_taken_in_at_one_look() -> None:
    crowds = {
        str(folder.relative_to(PACKAGE)): n
        for folder in {path.parent for path in MODULES.values()}
        if (n := sum(1 for path in folder.glob("*.py") if path.name != "__init__.py")) > MOST_FILES
    }
    assert crowds == {}


def test_no_call_of_the_package_has_the_name_of_a_module_beside_it() -> None:
    """Importing such a module would hide the call: the import system sets it as an attribute of the package."""
    assert {room_of(module) for module in MODULES} & set(api.__all__) == set()


def test_no_module_stands_in_for_another() -> None:
    """No module changes the class of a module, nor puts one of its own making among those that are loaded."""
    found = []
    for path in MODULES.values():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Assign | ast.AugAssign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                found += [path.name for target in targets if "sys.modules" in ast.unparse(target)]
                found += [path.name for target in targets if ast.unparse(target).endswith(".__class__")]
    assert found == []


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from busdoc.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'cantools', 'can', 'numba', 'scipy', 'textual', 'asammdf', 'matplotlib', 'rich'}\n"
        "sys.exit(' '.join(sorted(heavy & set(sys.modules))) or 0)\n"
    )
    finished = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert finished.returncode == 0, finished.stderr
