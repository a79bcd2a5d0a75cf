"""The pictures in the documentation show what the program shows now; `python docs/make/pictures.py` draws them anew."""

import importlib.util
import re
import sys
import xml.etree.ElementTree as ET
from types import ModuleType
from typing import Any

import pytest
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from tests.docs.pages import CHECKOUT, PAGES

RENEW = "It has aged: python docs/make/pictures.py draws it anew; look at the difference."
MOST_BYTES = 60_000
HAVE = sorted((CHECKOUT / "docs" / "pictures").iterdir())


def load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("pictures", CHECKOUT / "docs" / "make" / "pictures.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["pictures"] = module  # where its records look for their annotations
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def drawing() -> Any:
    return load()


def test_every_picture_is_drawn_by_the_script_shown_in_a_page_and_small(drawing: Any) -> None:
    drawn = {f"{name}.svg" for name in (*drawing.SCREENS, *drawing.LINES)} | {f"{name}.png" for name in drawing.RECORDS}
    assert {path.name for path in HAVE} == drawn
    shown = {name for path in PAGES for name in re.findall(r"\(pictures/([\w.-]+)\)", path.read_text(encoding="utf-8"))}
    assert shown == drawn
    assert [path.name for path in HAVE if path.stat().st_size > MOST_BYTES] == []


def test_the_screens_are_those_of_the_program(drawing: Any) -> None:
    for name, rows in drawing.draw_screens().items():
        assert drawing.words_in(drawing.FOLDER / f"{name}.svg") == drawing.rows_in_words(rows), f"{name}.svg: {RENEW}"


def test_what_is_written_line_by_line_is_what_the_program_writes(drawing: Any) -> None:
    for name, rows in drawing.draw_lines().items():
        assert drawing.words_in(drawing.FOLDER / f"{name}.svg") == drawing.rows_in_words(rows), f"{name}.svg: {RENEW}"


def test_the_records_are_those_of_the_program(drawing: Any) -> None:
    for name in drawing.RECORDS:
        path = drawing.FOLDER / f"{name}.png"
        assert drawing.words_in(path) == drawing.words_of(drawing.page_of(name)), f"{name}.png: {RENEW}"


def test_a_screen_is_read_back_as_it_was_painted(drawing: Any) -> None:
    row = Strip([Segment(" ab  c "), Segment("■ d  ", Style(bold=True)), Segment("  <&>")])
    picture = ET.fromstring(drawing.svg_of([row], "one"))
    (text,) = picture.iter("{http://www.w3.org/2000/svg}text")
    assert drawing._row_in_words(text) == row.text.rstrip()
