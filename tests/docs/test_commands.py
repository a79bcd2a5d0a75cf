"""Every command in the documentation is right: what can run from a checkout runs, and prints what the page shows.

In a page, ``sh`` blocks are run from top to bottom in one folder; a ``text`` block right after one is what it prints,
where a line of dots stands for any lines. A ``toml`` block that begins with ``# NAME.toml`` is saved under that name.
Commands elsewhere need a machine, or a person; the program must at least understand them.
"""

import argparse
import os
import re
import shlex
from itertools import takewhile
from pathlib import Path

import pytest

from busdoc.capture.formats.write import write_capture
from busdoc.capture.source import open_capture
from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import build_parser, main
from tests.docs.pages import CHECKOUT, PAGES, blocks
from tests.documents import held_to_schema

README = CHECKOUT / "README.md"
GUIDES = [*PAGES, README, CHECKOUT / "captures" / "README.md"]
RUN = [path for path in PAGES if "```sh\n" in path.read_text(encoding="utf-8")]
DOTS = ("...", "…")


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


def run(line: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Run a command and give what it printed; what it was to write must be there."""
    program, *words = shlex.split(line, comments=True)
    assert program == "busdoc"
    kept = folder / words.pop() if words[-2:-1] == [">"] else None
    # as wide as the pages are; whoever starts the tests may have had a narrower terminal
    surroundings = Surroundings(environ={**os.environ, "COLUMNS": "100"})
    status = main([word for word in words if word != ">"], surroundings)
    written = capsys.readouterr()
    if kept is not None:
        kept.write_text(written.out, encoding="utf-8")
    assert status in (ExitStatus.HEALTHY, ExitStatus.TROUBLE), f"{line}\n{written.err}"
    if "--json" in words:
        assert held_to_schema(written.out)["schema"] == "busdoc-verdict/1"
    for option in ("--report", "--tables", "-o", "--session"):
        if option in words:
            assert (folder / words[words.index(option) + 1]).exists(), line
    return written.out


def missing_line(shown: str, printed: str) -> str | None:
    """Give the first line of a page that is not in what was printed, in its place; None: all are."""
    lines = [line.rstrip() for line in printed.splitlines()]
    at, anywhere = 0, False
    for line in (one.rstrip() for one in shown.splitlines()):
        if line.strip() in DOTS:
            anywhere = True
            continue
        while anywhere and at < len(lines) and lines[at] != line:
            at += 1
        if at >= len(lines) or lines[at] != line:
            return line
        at, anywhere = at + 1, False
    return None


def test_there_are_pages_with_commands_and_with_what_they_print() -> None:
    assert {"isolation", "post-mortem", "resync", "tutorial-resync"} <= {path.stem for path in RUN}
    assert missing_line("a\n...\nc\n", "a\nb\nb\nc\n") is None
    assert missing_line("a\nc\n", "a\nb\nc\n") == "c"
    assert missing_line("a\n...\nd\n", "a\nb\n") == "d"


@pytest.mark.parametrize("path", RUN, ids=lambda path: path.stem)
def test_the_commands_of_a_page_run_and_print_what_it_shows(
    path: Path, beside_the_examples: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    printed: str | None = None
    ended_at = 0
    for language, text, after in blocks("\n".join(lines)):
        begins_at = after - 2 - text.count("\n")
        follows = not any(line.strip() for line in lines[ended_at - 1 : begins_at - 1]) if ended_at else False
        if language == "sh":
            printed = "".join(run(line, beside_the_examples, capsys) for line in text.splitlines() if line.strip())
        elif language == "text" and follows and printed is not None:
            missing = missing_line(text, printed)
            assert missing is None, f"not printed: {missing!r}\nbut:\n{printed}"
        elif language == "toml" and (name := re.match(r"# (\S+\.toml)\n", text)):
            (beside_the_examples / name[1]).write_text(text, encoding="utf-8")
        ended_at = after if language == "sh" else 0


def test_the_recordings_of_the_readme_are_read_as_it_says(
    beside_the_examples: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = CHECKOUT / "captures" / "sweeper_late"  # a short one
    for name, original in (
        ("machine.toml", CHECKOUT / "captures" / "street_sweeper" / "machine.toml"),
        ("journal.csv", story / "actions.csv"),
        ("machine.dbc", CHECKOUT / "dbc_examples" / "street_sweeper.dbc"),
    ):
        (beside_the_examples / name).write_bytes(original.read_bytes())
    for name in ("recording.log", "monday.blf", "tuesday.blf"):
        capture = open_capture([story / "capture.log.gz"])
        write_capture(beside_the_examples / name, list(capture.blocks()), capture.channels)
    (block,) = (text for _, text, _ in blocks(README.read_text(encoding="utf-8")) if "postmortem recording.log" in text)
    lines = [line for line in block.splitlines() if line.startswith("busdoc")]
    assert len(lines) == 4
    for line in lines:
        assert run(line.replace(" --report report.html", ""), beside_the_examples, capsys)  # other pages write one


def commands(path: Path) -> list[str]:
    """Give every command of a page, also those within a sentence; none that leaves words out."""
    text = path.read_text(encoding="utf-8")
    found = [
        line.strip()
        for language, block, _ in blocks(text)
        for line in re.sub(r"\\\n\s*", "", block).splitlines()
        if language in ("sh", "text", "console", "") and line.lstrip().startswith("busdoc ")
    ]
    indented = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    found += re.findall(r"^    (busdoc (?:.*\\\n)*.*)$", indented, re.MULTILINE)
    found += re.findall(r"`(busdoc [^`]*)`", indented)
    return [re.sub(r"\s+", " ", line.replace("\\\n", "")) for line in found if not re.search(r"…|\.\.\.", line)]


def named_only(line: str) -> bool:
    """Whether a sentence names a command, or says with a word in capitals what goes there, and does not give it."""
    return (
        re.fullmatch(r"busdoc \w+( mark| --[\w-]+)?", line) is not None or re.search(r" [A-Z]{2,}\b", line) is not None
    )


@pytest.mark.parametrize("path", GUIDES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_every_command_is_one_that_the_program_understands(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for line in commands(path):
        if named_only(line):
            continue
        words = [*takewhile(lambda word: word not in ("|", ">"), shlex.split(line, comments=True)[1:])]
        try:
            build_parser().parse_args(words)
        except (SystemExit, argparse.ArgumentError):
            pytest.fail(f"{line}\n{capsys.readouterr().err}")


def test_every_option_that_the_readme_speaks_of_exists() -> None:
    commands_ = next(action for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction))
    known = {option for parser in commands_.choices.values() for option in parser._option_string_actions}
    text = re.sub(r"`pip install.*?`|^python3 .*$", "", README.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text)) - known == set()
