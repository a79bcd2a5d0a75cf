"""Does every named constant of the isolation engine say where its value comes from?"""

import ast
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

import busdoc.isolation
from tests.truth.constants import constant_set_to

ROOT = Path(busdoc.isolation.__file__).parent
ORIGIN = re.compile(r"common practice|from memory|by definition|bound on work|settled\s+on|\b(?:19|20)\d\d\b", re.I)
"""A fact of the trade, a recalled value, no value at all but a name or a unit, a limit on how much is enumerated,
simulated sessions, or a published source with its year."""
SETTLED = re.compile(r"^Settled on simulated sessions(?:, and flat)?; try again with:\n(?=python )", re.MULTILINE)
"""How a value that simulated sessions decided is worded, whatever it is. It was settled as the engine was made, not by
the command; that says whether another value would score higher. It has said 'flat' where it told none apart."""
COMMAND = re.compile(r"^python -m benchmarks\.isolation_fit (.*?)\.?$", re.MULTILINE)


class Constant(NamedTuple):
    place: str
    """Below `busdoc.isolation`, the module with it."""
    said: str
    """What stands at it."""


def constants() -> Iterator[Constant]:
    for path in sorted(ROOT.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        body = ast.parse(text).body
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node, after in zip(body, [*body[1:], None], strict=True):
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            names = [n.id for t in targets if t is not None for n in ast.walk(t) if isinstance(n, ast.Name)]
            told = after.value if isinstance(after, ast.Expr) else None
            said = str(told.value) if isinstance(told, ast.Constant) else ""
            said += "".join(line for line in text.splitlines()[node.lineno - 1 : node.end_lineno] if "#" in line)
            yield from (Constant(f"{module}.{n}", said) for n in names if n.isupper())


ALL = tuple(constants())


def test_every_constant_has_an_origin() -> None:
    assert len(ALL) > 60
    assert [one.place for one in ALL if not ORIGIN.search(" ".join(one.said.split()))] == []


BY_SESSIONS = [one for one in ALL if re.search("settled on|fitted:|isolation_fit", one.said, re.I)]


@pytest.mark.parametrize("one", BY_SESSIONS, ids=[one.place for one in BY_SESSIONS])
def test_a_constant_that_sessions_settled_says_so_in_one_wording_and_names_a_command_that_sets_it(
    one: Constant,
) -> None:
    assert len(SETTLED.findall(one.said)) == 1
    commands = [shlex.split(command) for command in COMMAND.findall(one.said)]
    assert commands
    for place, *rest in commands:
        assert one.place.rpartition(".")[0] == place.rpartition(".")[0]
        values = rest[: next((k for k, word in enumerate(rest) if word.startswith("--")), len(rest))]
        assert values
        for value in values:
            with constant_set_to(place, value):
                pass
