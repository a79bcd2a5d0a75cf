"""The page about scenarios has every key that the reader takes, what it is when it is left out, and every word."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from busdoc.actions.action import ActionKind
from busdoc.simulation.scenario import file
from busdoc.simulation.scenario.file import load_scenario
from busdoc.simulation.scenario.table import Table
from busdoc.simulation.stream import Beat
from busdoc.simulation.world import Effect
from tests.docs.pages import blocks, text_of

PAGE = text_of("scenario.md")
TABLES = ("scenario", "press", "unit", "stream", "fault", "step", "event")
MAP = """
[machine]
name = "one"
[[controller]]
name = "hopper"
address = 0x31
[[part]]
name = "gate-angle"
kind = "sensor"
into = "hopper"
"""
DATABASE = 'BO_ 2566865201 Status: 8 hopper\n SG_ State : 0|8@1+ (1,0) [0|250] "" Vector__XXX\n'
EVERYTHING = """
[scenario]
name = "all tables"
database = "one.dbc"
[[unit]]
controller = "hopper"
[[stream]]
controller = "hopper"
message = "Status"
period_s = 0.1
signals = { State = {} }
[[fault]]
part = "gate-angle"
[[step]]
do = "watch"
seconds = 10
[[event]]
do = "lead-out"
"""
Asked = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    """What the reader asks of each table while it reads one of each kind: key -> its default, where it has one."""
    folder = tmp_path_factory.mktemp("case")
    for name, text in (("machine.toml", MAP), ("one.dbc", DATABASE), ("case.toml", EVERYTHING)):
        (folder / name).write_text(text, encoding="utf-8")
    found: Asked = {}

    def spied(method: Callable[..., Any]) -> Callable[..., Any]:
        def read(table: Table, key: str, *given: Any, **named: Any) -> Any:
            plain = given[0] if given and method.__name__ != "numbers" else None
            found.setdefault(table._header, {}).setdefault(key, plain)
            return method(table, key, *given, **named)

        return read

    with pytest.MonkeyPatch.context() as patch:
        for name in ("has", "raw", "text", "number", "whole", "yes", "texts", "numbers"):
            patch.setattr(Table, name, spied(getattr(Table, name)))
        load_scenario(folder / "case.toml")
    return found


def section(heading: str) -> str:
    """Give the text below a heading, up to the next one."""
    (found,) = re.findall(rf"^## {heading}.*?$(.*?)(?=^## |\Z)", PAGE, re.DOTALL | re.MULTILINE)
    return str(found)


def keys_of(heading: str) -> dict[str, str]:
    """Give key -> what the page says of leaving it out, of the first table in a section."""
    table = section(heading).partition("| key |")[2].partition("\n\n")[0]
    rows = [line.split(" | ") for line in table.splitlines() if line.startswith("| `")]
    return {key: cells[-1].removesuffix(" |") for cells in rows for key in re.findall(r"`(\w+)`", cells[0])}


@pytest.mark.parametrize("name", TABLES)
def test_a_section_has_the_keys_of_its_table_and_no_others(name: str, asked: Asked) -> None:
    heading = rf"`\[{name}\]`" if name in ("scenario", "press") else rf"`\[\[{name}\]\]`"
    assert sorted(keys_of(heading)) == sorted(asked[name])


def test_the_section_about_signals_has_their_keys(asked: Asked) -> None:
    assert sorted(keys_of("Signals")) == sorted(asked["State"])


@pytest.mark.parametrize("name", TABLES)
def test_what_a_key_is_when_it_is_left_out_is_what_the_reader_takes(name: str, asked: Asked) -> None:
    heading = rf"`\[{name}\]`" if name in ("scenario", "press") else rf"`\[\[{name}\]\]`"
    said = keys_of(heading)
    for key, default in asked[name].items():
        if isinstance(default, bool):
            assert said[key] == f"`{str(default).lower()}`", key
        elif isinstance(default, int | float):
            assert said[key] == f"{default:g}", key
        elif isinstance(default, str):
            assert said[key] == f"`{default}`", key


@pytest.mark.parametrize(
    ("heading", "words"),
    [
        (r"`\[\[stream\]\]`", tuple(Beat)),
        (r"`\[\[fault\]\]`", tuple(Effect)),
        (r"`\[\[step\]\]`", (*ActionKind, *file._PROCEDURES)),
        (r"`\[\[event\]\]`", file._EVENTS),
    ],
)
def test_every_word_is_told(heading: str, words: tuple[str, ...]) -> None:
    text = section(heading)
    assert [word for word in words if f"`{word}`" not in text] == []


def test_every_table_has_its_section() -> None:
    assert sorted(TABLES) == sorted(file._TABLES)


def test_the_example_with_a_case_is_read_and_its_keys_are_on_the_page(tmp_path: Path) -> None:
    for language, text, _ in blocks(PAGE):
        if language == "toml":
            (tmp_path / text.splitlines()[0].removeprefix("# ")).write_text(text, encoding="utf-8")
    scenario = load_scenario(tmp_path / "case.toml")
    assert scenario.faults[0].latches
    assert scenario.streams[1].counter == (0, 0, 4)
