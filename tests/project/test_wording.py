"""One fact has one place: what is worded, counted or rung in one module is not done by hand in another."""

import ast
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

import busdoc

PACKAGE = Path(busdoc.__file__).parent


@cache
def trees() -> Mapping[str, ast.Module]:
    """Give the modules' trees by their files; read when a test asks, since every worker collects this file."""
    files = {path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}
    return {name: ast.parse(text) for name, text in files.items()}


def is_text(node: ast.AST) -> bool:
    if isinstance(node, ast.IfExp):
        return is_text(node.body) and is_text(node.orelse)
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def members(node: ast.AST | None, of: str) -> set[str]:
    """Name the members of an enumeration that stand in an expression."""
    return (
        set()
        if node is None
        else {
            one.attr
            for one in ast.walk(node)
            if isinstance(one, ast.Attribute) and isinstance(one.value, ast.Name) and one.value.id == of
        }
    )


def plural_by_hand(node: ast.AST) -> bool:
    """An "s" that a number adds or leaves out, or one of two wordings that a count of one chooses between."""
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult):
        return any(isinstance(side, ast.Constant) and side.value == "s" for side in (node.left, node.right))
    if not isinstance(node, ast.IfExp) or not (is_text(node.body) and is_text(node.orelse)):
        return False
    arms = {getattr(arm, "value", None) for arm in (node.body, node.orelse)}
    if arms == {"", "s"}:
        return True
    test = node.test
    if not isinstance(test, ast.Compare) or not isinstance(test.ops[0], ast.Eq | ast.NotEq):
        return False
    return "" not in arms and getattr(test.comparators[0], "value", None) == 1


def list_by_hand(node: ast.AST) -> bool:
    """The last of several names after an "and"."""
    if not isinstance(node, ast.JoinedStr):
        return False
    last = any(
        isinstance(one, ast.Subscript) and ast.unparse(one.slice) == "-1" for one in ast.walk(node) if one is not node
    )
    return last and any(isinstance(one, ast.Constant) and one.value == " and " for one in node.values)


def table_of_words(of: str) -> Callable[[ast.AST], bool]:
    """Give what finds a mapping, or a match, from members of an enumeration to words."""

    def finds(node: ast.AST) -> bool:
        if isinstance(node, ast.Dict):
            pairs = zip(node.keys, node.values, strict=True)
            return sum(bool(members(key, of)) and any(map(is_text, ast.walk(value))) for key, value in pairs) >= 3
        if isinstance(node, ast.Match):
            worded = [case for case in node.cases if isinstance(case.body[0], ast.Return) and case.body[0].value]
            texts = [case for case in worded if is_text(getattr(case.body[0], "value"))]  # noqa: B009 - narrowed above
            return sum(bool(members(case.pattern, of)) for case in texts) >= 3
        return False

    return finds


def power_kinds(node: ast.AST) -> bool:
    """The kinds of power action, gathered once more."""
    return isinstance(node, ast.Tuple | ast.Set | ast.List) and members(node, "ActionKind") >= {
        "POWER_OFF",
        "POWER_ON",
        "POWER_CYCLE",
    }


def nanoseconds_in_a_second(node: ast.AST) -> bool:
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
        return ast.unparse(node) in ("10 ** 9", "10.0 ** 9")
    return isinstance(node, ast.Constant) and type(node.value) is int and node.value == 10**9


def stroke_of_the_bell(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and "\a" in node.value


def keys_added_to_the_document(node: ast.AST) -> bool:
    """``document(result) | {...}``."""
    if not isinstance(node, ast.BinOp) or not isinstance(node.op, ast.BitOr):
        return False
    return isinstance(node.left, ast.Call) and ast.unparse(node.left.func).split(".")[-1] == "document"


RULES: list[tuple[Callable[[ast.AST], bool], str]] = [
    (plural_by_hand, "words/counting.py"),
    (list_by_hand, "words/counting.py"),
    (table_of_words("ActionKind"), "actions/words.py"),
    (table_of_words("IncidentKind"), "report/words/incidents.py"),
    (table_of_words("FoundBy"), "report/words/returns.py"),
    (power_kinds, "actions/action.py"),
    (nanoseconds_in_a_second, "times.py"),
    (stroke_of_the_bell, "live/bell.py"),
    (keys_added_to_the_document, "report/json/document.py"),
]


def found(rule: Callable[[ast.AST], bool]) -> Iterator[tuple[str, int]]:
    """Yield (module, line) of all that a rule finds."""
    for name, tree in trees().items():
        yield from ((name, getattr(node, "lineno", 0)) for node in ast.walk(tree) if rule(node))


@pytest.mark.parametrize(("rule", "home"), RULES, ids=lambda one: getattr(one, "__name__", None))
def test_it_is_done_in_its_own_module_alone(rule: Callable[[ast.AST], bool], home: str) -> None:
    assert [f"busdoc/{name}:{line}" for name, line in found(rule) if name != home] == []


@pytest.mark.parametrize(("rule", "home"), RULES, ids=lambda one: getattr(one, "__name__", None))
def test_the_rule_finds_it_where_it_belongs(rule: Callable[[ast.AST], bool], home: str) -> None:
    assert home in {name for name, _ in found(rule)}
