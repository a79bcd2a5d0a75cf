"""The documentation is true: its examples are read, its links lead somewhere; its commands are run in `tests/docs`."""

import csv
import io
import json
import math
import os
import re
import runpy
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

import busdoc
from busdoc.actions.action import ActionKind
from busdoc.actions.journal import journal_from_text
from busdoc.cli.main import build_parser
from busdoc.isolation.suspects.dwell import dwell_s, known_rate_dwell_s
from busdoc.machine.machine import Machine, PartKind
from busdoc.machine.machine_map import machine_from_text
from busdoc.report.tables.columns import TABLES
from tests.documents import schema

CHECKOUT = Path(__file__).parents[2]
DOCS = sorted((CHECKOUT / "docs").glob("*.md"))


def blocks(path: Path, language: str) -> list[str]:
    text = path.read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


@pytest.fixture
def beside_the_examples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder in which the paths of the documentation lead to the examples."""
    for name in ("captures", "dbc_examples"):
        try:
            os.symlink(CHECKOUT / name, tmp_path / name, target_is_directory=True)
        except OSError:  # not allowed to everybody on Windows
            pytest.skip("this system does not let its user make links")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("path", DOCS, ids=lambda path: path.stem)
def test_every_option_that_is_spoken_of_exists(path: Path) -> None:
    help_texts = build_parser().format_help()
    for name in re.findall(r"^    (\w+)(?: |$)", help_texts, re.MULTILINE):
        with redirect_stdout(io.StringIO()) as shown, pytest.raises(SystemExit):
            build_parser().parse_args([name, "--help"])
        help_texts += shown.getvalue()
    text = re.sub(r"`?pip install [^`\n]*|--no-compile", "", path.read_text(encoding="utf-8"))  # another program's
    options = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text))
    assert [option for option in options if option not in help_texts] == []


def test_the_python_page_runs_from_top_to_bottom(beside_the_examples: Path) -> None:
    code = "\n".join(blocks(CHECKOUT / "docs" / "python.md", "python"))
    with redirect_stdout(io.StringIO()) as shown:
        exec(compile(code, "python.md", "exec"), {})
    assert "dropped off the bus" in shown.getvalue()
    assert (beside_the_examples / "record.html").stat().st_size > 10_000
    assert (beside_the_examples / "numbers" / "incidents.parquet").exists()


def test_the_notebook_runs_from_top_to_bottom(beside_the_examples: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MPLBACKEND", "Agg")
    notebook = json.loads((CHECKOUT / "docs" / "notebook.ipynb").read_text(encoding="utf-8"))
    cells = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    names: dict[str, Any] = {}
    with redirect_stdout(io.StringIO()) as shown:
        for n, cell in enumerate(cells, start=1):
            exec(compile(cell, f"notebook.ipynb, cell {n}", "exec"), names)
    assert "dropped off the bus" in shown.getvalue()
    assert len(names["frames"]) > 10
    assert names["result"].recorded.n_readings == 1
    assert (beside_the_examples / "record.html").stat().st_size > 10_000


def test_the_notebook_is_kept_without_what_it_shows() -> None:
    notebook = json.loads((CHECKOUT / "docs" / "notebook.ipynb").read_text(encoding="utf-8"))
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert code
    assert not any(cell["outputs"] or cell["execution_count"] for cell in code)


def test_every_call_is_on_the_python_page() -> None:
    text = (CHECKOUT / "docs" / "python.md").read_text(encoding="utf-8")
    assert [name for name in busdoc.__all__ if name not in text] == []


def test_the_map_page_shows_a_map_that_is_read() -> None:
    (example,) = blocks(CHECKOUT / "docs" / "machine-map.md", "toml")
    machine = machine_from_text(example, "machine-map.md")
    assert machine.parts["gate-angle"].unsafe_live
    assert machine.controllers["hopper"].feed == "fuse-3"


def test_the_map_page_names_every_kind_of_part() -> None:
    text = (CHECKOUT / "docs" / "machine-map.md").read_text(encoding="utf-8")
    assert [kind for kind in PartKind if f"`{kind}`" not in text] == []


def test_the_journal_page_shows_a_journal_that_is_read_whole() -> None:
    (example,) = blocks(CHECKOUT / "docs" / "journal.md", "csv")
    start_ns = 1_772_435_640 * 10**9
    journal = journal_from_text(example, "journal.md", Machine(), start_ns=start_ns, epoch=True)
    assert (journal.skipped, journal.warnings) == (0, ())
    assert len(journal.actions) == len(list(csv.reader(io.StringIO(example)))) - 1


def test_the_journal_page_names_every_action() -> None:
    text = (CHECKOUT / "docs" / "journal.md").read_text(encoding="utf-8")
    assert [kind for kind in ActionKind if f"`{kind}`" not in text] == []


def keys_of(described: object, where: str = "") -> Iterator[str]:
    """Name every key that a schema describes, wherever in it."""
    if isinstance(described, dict):
        for key, inner in described.get("properties", {}).items():
            yield key
            yield from keys_of(inner, key)
        for word in ("items", "oneOf", "anyOf", "$defs"):
            yield from keys_of(described.get(word))
        if where == "" and "$defs" in described:
            for inner in described["$defs"].values():
                yield from keys_of(inner, "$defs")
    elif isinstance(described, list):
        for inner in described:
            yield from keys_of(inner)


def test_the_json_page_names_every_key_of_the_schema() -> None:
    text = (CHECKOUT / "docs" / "json.md").read_text(encoding="utf-8")
    keys = set(keys_of(schema()))
    assert len(keys) > 200
    assert [key for key in sorted(keys) if not re.search(rf"`(?:[\w.\[\]]+\.)?{key}`", text)] == []
    by_hand = text.partition("## Every key")[0]
    assert [key for key in schema()["properties"] if f"`{key}`" not in by_hand] == []


def test_the_json_page_says_what_the_schema_says() -> None:
    done = runpy.run_path(str(CHECKOUT / "docs" / "make" / "json_keys.py"))
    text = (CHECKOUT / "docs" / "json.md").read_text(encoding="utf-8")
    assert text == done["page"](text), "run python docs/make/json_keys.py"


def test_the_tables_page_names_every_table_and_the_schema_of_their_description() -> None:
    text = (CHECKOUT / "docs" / "tables.md").read_text(encoding="utf-8")
    assert [name for name in TABLES if f"`{name}`" not in text] == []
    assert schema("busdoc-tables-1")["$id"] in text


def in_seconds(text: str) -> int:
    unit_s = {"h": 3600, "min": 60, "s": 1}
    return sum(int(number) * unit_s[unit] for number, unit in re.findall(r"(\d+) (h|min|s)", text))


def test_waiting_times_are_those_of_a_poisson_fault() -> None:
    """A fault of rate r shows within t with probability 1 - exp(-r t): exponential waiting times."""
    text = (CHECKOUT / "docs" / "probabilities.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", text, re.MULTILINE)
    assert len(rows) == 4
    for rate, *waits in rows:
        for confidence, wait in zip((0.90, 0.95, 0.99), waits, strict=True):
            t_s = -math.log(1 - confidence) / (int(rate) / 3600)
            assert in_seconds(wait) == pytest.approx(t_s, abs=60 if "h" in wait else 1), (rate, confidence)
            assert known_rate_dwell_s(confidence, int(rate) / 3600) == pytest.approx(t_s)


def test_waiting_times_at_an_unknown_rate_are_those_of_the_engine() -> None:
    text = (CHECKOUT / "docs" / "probabilities.md").read_text(encoding="utf-8")
    for confidence, wait_s in ((0.90, 786), (0.95, 1754), (0.99, 5062)):  # exponential integrals: scipy.special.exp1
        assert re.search(rf"\b{wait_s} s\b", text)
        assert dwell_s(confidence) == pytest.approx(wait_s, rel=0.03)


@pytest.mark.parametrize("path", DOCS, ids=lambda path: path.stem)
def test_every_link_leads_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", path.read_text(encoding="utf-8")):
        file, _, anchor = target.partition("#")
        page = path.parent / file if file else path
        assert page.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", DOCS, ids=lambda path: path.stem)
def test_no_line_is_wider_than_a_page(path: Path) -> None:
    lines = re.sub(r"^```sh\n.*?^```$", "", path.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    assert [line for line in lines.splitlines() if len(line) > 124 and not line.startswith("|")] == []
