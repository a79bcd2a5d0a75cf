"""What a shell is given: completion, manual pages, patterns, quiet, widths, exit statuses."""

import argparse
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from busdoc.cli.environment import ExitStatus
from busdoc.cli.main import build_parser
from busdoc.cli.shell.completion import SHELLS
from busdoc.cli.shell.grammar import Command, grammar
from tests.typed import Run, typed

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
FEED = ROOT / "captures" / "sweeper_feed" / "capture.log.gz"


def commands(root: Command) -> Iterator[Command]:
    yield root
    for one in root.commands:
        yield from commands(one)


@pytest.mark.parametrize("shell", SHELLS)
def test_a_script_knows_every_command_and_every_option(run: Run, shell: str) -> None:
    status, out, err = run("completion", shell)
    assert (status, err) == (ExitStatus.HEALTHY, "")
    for one in commands(grammar(build_parser())):
        for flag in (flag for option in one.options for flag in option.flags):
            shown = flag if shell != "fish" else re.sub("^--?", "-l " if flag.startswith("--") else "-s ", flag)
            assert shown in out, (one.words, flag)
        assert all(word in out for word in one.words)


def completed(tmp_path: Path, *words: str) -> set[str]:
    """Ask bash what it would offer behind these words."""
    script = tmp_path / "busdoc.bash"
    script.write_text(typed("completion", "bash")[1], encoding="utf-8", newline="\n")
    line = " ".join(f"'{word}'" for word in words)
    asked = f"source {script}; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; _busdoc; "
    asked += 'printf "%s\\n" "${COMPREPLY[@]}"'
    done = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stderr == ""
    return set(done.stdout.split("\n")) - {""}


@pytest.mark.skipif(shutil.which("bash") is None or os.name == "nt", reason="needs bash")
def test_bash_offers_what_fits(tmp_path: Path) -> None:
    (tmp_path / "day.log").write_bytes(b"")
    (tmp_path / "deep").mkdir()
    assert completed(tmp_path, "busdoc", "po") == {"postmortem"}
    assert completed(tmp_path, "busdoc", "postmortem", "--pap") == {"--paper"}
    assert completed(tmp_path, "busdoc", "postmortem", "--paper", "") == {"A4", "Letter"}
    assert completed(tmp_path, "busdoc", "postmortem", "d") == {"day.log", "deep"}
    assert completed(tmp_path, "busdoc", "postmortem", "day.log", "--tables", "d") == {"deep"}
    assert completed(tmp_path, "busdoc", "record", "m") == {"mark"}
    assert completed(tmp_path, "busdoc", "completion", "f") == {"fish"}


@pytest.mark.parametrize(("shell", "check"), [("bash", "-n"), ("zsh", "-n"), ("fish", "-n")])
def test_a_shell_takes_its_script(tmp_path: Path, shell: str, check: str) -> None:
    if shutil.which(shell) is None:
        pytest.skip(f"needs {shell}")
    script = tmp_path / f"busdoc.{shell}"
    script.write_text(typed("completion", shell)[1], encoding="utf-8", newline="\n")
    done = subprocess.run([shell, check, str(script)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("fish") is None, reason="needs fish")
def test_fish_offers_what_fits(tmp_path: Path) -> None:
    script = tmp_path / "busdoc.fish"
    script.write_text(typed("completion", "fish")[1], encoding="utf-8", newline="\n")
    asked = f"source {script}; complete -C 'busdoc postmortem --pap'; complete -C 'busdoc postmortem --paper '"
    done = subprocess.run(["fish", "--no-config", "-c", asked], capture_output=True, text=True, check=True)
    offered = [line.split("\t")[0] for line in done.stdout.splitlines()]
    assert offered == ["--paper", "A4", "Letter"]


def test_brackets_and_strings_of_the_powershell_script_are_closed(run: Run) -> None:
    out = run("completion", "powershell")[1]
    bare = re.sub(r"'[^'\n]*'|\"[^\"\n]*\"|#[^\n]*", "", out)
    assert "'" not in bare
    assert '"' not in bare
    for opening, closing in ("()", "{}", "[]"):
        assert bare.count(opening) == bare.count(closing)


def test_every_command_has_a_manual_page_that_is_clean(run: Run, tmp_path: Path) -> None:
    status = run("manual", "-o", tmp_path)[0]
    assert status == ExitStatus.HEALTHY
    root = grammar(build_parser())
    assert {path.name for path in tmp_path.iterdir()} == {
        "busdoc.1",
        *(f"busdoc-{one.words[0]}.1" for one in root.commands),
    }
    for one in (root, *root.commands):
        text = run("manual", *one.words)[1]
        assert text == (tmp_path / f"{'-'.join(('busdoc', *one.words))}.1").read_text(encoding="utf-8")
        assert text.count(".SH EXIT STATUS") == 1
        for option in one.options:
            assert all(flag.replace("-", "\\-") in text for flag in option.flags)
    if shutil.which("mandoc"):
        pages = sorted(map(str, tmp_path.iterdir()))
        done = subprocess.run(
            ["mandoc", "-T", "lint", "-W", "warning", *pages], capture_output=True, text=True, check=False
        )
        assert [line for line in done.stdout.splitlines() if "missing date" not in line] == []


def test_a_page_that_does_not_exist_is_refused_with_those_that_do(run: Run) -> None:
    status, _, err = run("manual", "cure")
    assert status == ExitStatus.COULD_NOT
    assert "postmortem" in err


def test_a_pattern_that_the_shell_left_alone_is_expanded(run: Run, tmp_path: Path) -> None:
    for name in ("a.log", "b.log", "c[1].log"):
        lines = [f"({1 + 0.1 * k:.6f}) can0 123#11\n" for k in range(100)]
        (tmp_path / name).write_text("".join(lines), encoding="ascii")
    by_pattern = run("postmortem", tmp_path / "[ab].log", "--json")
    assert by_pattern == run("postmortem", tmp_path / "a.log", tmp_path / "b.log", "--json")
    assert by_pattern[0] == ExitStatus.HEALTHY
    assert "1 file" in run("postmortem", tmp_path / "c[1].log")[1]
    status, out, err = run("postmortem", tmp_path / "z*.log")
    assert (status, out) == (ExitStatus.COULD_NOT, "")
    assert err.count("\n") == 1
    assert "z*.log: expected a capture, or a pattern" in err


def test_quiet_leaves_the_status_and_the_files(run: Run, tmp_path: Path) -> None:
    words = ("postmortem", SWEEPER / "capture.log.gz", "--machine", SWEEPER / "machine.toml")
    assert run(*words, "--quiet") == (ExitStatus.TROUBLE, "", "")
    assert run(*words, "-q", "--json")[1].startswith("{")
    status, out, err = run("postmortem", tmp_path / "nowhere.log", "--quiet")
    assert (status, out) == (ExitStatus.COULD_NOT, "")
    assert "nowhere.log" in err
    assert run("resync", FEED, "--machine", SWEEPER / "machine.toml", "-q")[1:] == ("", "")
    assert run("baseline", FEED, "-o", tmp_path / "map.toml", "-q") == (ExitStatus.HEALTHY, "", "")
    assert (tmp_path / "map.toml").exists()


@pytest.mark.parametrize("columns", [40, 80])
def test_no_line_is_wider_than_the_terminal(columns: int, tmp_path: Path) -> None:
    machine = ("--machine", SWEEPER / "machine.toml")
    case = ("postmortem", SWEEPER / "capture.log.gz", *machine, "--actions", SWEEPER / "actions.csv")
    for words in (
        (),
        (*case, "--all"),
        (*case, "--brief"),
        ("resync", FEED, *machine),
        ("baseline", FEED, "-o", tmp_path / "map.toml"),
    ):
        _, out, err = typed(*words, columns=columns)
        assert (err, [line for line in out.splitlines() if len(line) > columns]) == ("", []), words
        assert out


def parsers() -> Iterator[argparse.ArgumentParser]:
    for action in build_parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            yield from action.choices.values()


def test_every_option_says_what_it_does_and_every_command_its_exit_statuses() -> None:
    for parser in parsers():
        assert "Exit status: 0 " in (parser.epilog or ""), parser.prog
        for action in parser._actions:
            assert action.help or not action.option_strings, (parser.prog, action.option_strings)


@pytest.mark.parametrize(
    ("words", "status"),
    [
        ((), 0),
        (("--help",), 0),
        (("postmortem", "--help"), 0),
        (("postmortem",), 2),
        (("nothing-like-it",), 2),
        (("postmortem", "nowhere.log"), 2),
        (("completion", "tcsh"), 2),
        (("manual", "nothing"), 2),
    ],
)
def test_exit_statuses_are_as_documented(
    words: tuple[str, ...], status: int, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        found = typed(*words)[0]
    except SystemExit as ended:  # how the parser ends
        found = int(ended.code or 0)
    assert found == status
