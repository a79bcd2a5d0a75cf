"""The glossary has the words that the program uses, and the questions quote what it really says."""

import ast
import re
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path

import pytest

import busdoc
from busdoc.capture.listening import Hearing
from busdoc.health.incident import IncidentKind
from busdoc.isolation.conclusion import State
from busdoc.machine.machine import PartKind
from busdoc.resync_check.records import ReturnVerdict
from busdoc.screen.drawing.states import NOT_HEARD, OFF, STATES
from tests.docs.pages import text_of

GLOSSARY = text_of("glossary.md")
QUESTIONS = re.findall(r'^### "(.+)"(?:, .*)?$', text_of("faq.md"), re.MULTILINE)
PACKAGE = Path(busdoc.__file__).parent


def first_column() -> str:
    return "\n".join(re.findall(r"^\| ([^|]+) \|", GLOSSARY, re.MULTILINE))


@pytest.mark.parametrize("sign", [*STATES.values(), OFF, NOT_HEARD], ids=lambda sign: sign.word)
def test_every_state_of_a_controller_has_its_mark_and_its_word(sign: object) -> None:
    assert f"`{sign.mark}` {sign.word}\n" in first_column() + "\n"  # type: ignore[attr-defined]  # a Sign, as all are


@pytest.mark.parametrize(
    "words", [Hearing, State, ReturnVerdict, IncidentKind, PartKind], ids=lambda words: words.__name__
)
def test_every_word_of_the_results_is_explained(words: type[StrEnum]) -> None:
    told = GLOSSARY.lower()
    missing = [word for word in words if not re.search(rf"\b{word.replace('-', '[- ]')}", told)]
    assert missing == []


def texts() -> Iterator[str]:
    """Yield every text of the package, with a mark where a value is put in."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                yield "".join(str(v.value) if isinstance(v, ast.Constant) else "…" for v in node.values)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def test_the_messages_in_the_questions_are_those_of_the_program() -> None:
    assert len(QUESTIONS) > 15
    said = "\n".join(texts()).lower()
    pieces = [(quote, piece.strip().lower()) for quote in QUESTIONS for piece in quote.split("…") if len(piece) > 3]
    assert [quote for quote, piece in pieces if piece not in said] == []
