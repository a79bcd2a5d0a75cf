"""Windows and macOS by design: what of them can be checked on any system is checked here."""

import ast
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import busdoc
from busdoc.cli.environment import ended_by_signals
from tests.typed import typed

ROOT = Path(__file__).parents[2]
PACKAGE = Path(busdoc.__file__).parent
SWEEPER = ROOT / "captures" / "street_sweeper"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"

OF_ONE_SYSTEM = frozenset(["fcntl", "grp", "msvcrt", "pty", "pwd", "resource", "termios", "tty", "winreg", "winsound"])
"""Modules of the standard library that not every system has (the library's own documentation of each)."""
RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)(\.|$)|[<>:\"/\\|?*\x00-\x1f]|[ .]$")
"""Names that Windows refuses (Microsoft, Naming Files, Paths, and Namespaces)."""


def texts(words: str) -> Iterator[tuple[str, str]]:
    """Yield each module of the package that holds any of the words, with its text."""
    wanted = re.compile(words, re.MULTILINE)
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if wanted.search(text):
            yield path.relative_to(PACKAGE).as_posix(), text


def opened(tree: ast.Module) -> Iterator[tuple[ast.Call, str]]:
    """Yield each call that opens a text file, with its mode."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        is_method = isinstance(node.func, ast.Attribute)
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in ("write_text", "read_text") and is_method:
            yield node, name[0]
        elif name in ("open", "fdopen"):
            modes = [one.value for one in node.args if isinstance(one, ast.Constant)]
            mode = next((str(one) for one in modes if re.fullmatch("[rwax]t?[+]?", str(one))), None)
            if mode is not None:
                yield node, mode


def test_every_text_file_is_written_with_its_encoding_and_line_ends() -> None:
    lacking = []
    for name, text in texts(r"\b(open|fdopen|read_text|write_text)\("):
        for call, mode in opened(ast.parse(text)):
            given = {keyword.arg for keyword in call.keywords}
            wanted = {"encoding"} if "r" in mode or "devnull" in ast.unparse(call) else {"encoding", "newline"}
            if not wanted <= given:
                lacking.append(f"{name}:{call.lineno}: {ast.unparse(call)}")
    assert lacking == []


def test_a_module_of_one_system_is_imported_only_where_that_system_was_asked_for() -> None:
    """What stands in a function, or below an if, is reached only when asked for; at the margin it always is."""
    assert [name for name, _ in texts(rf"^(import|from) ({'|'.join(sorted(OF_ONE_SYSTEM))})\b")] == []
    assert [name for name, _ in texts(r"^ +(import|from) fcntl\b")]


@pytest.mark.skipif(sys.platform == "win32", reason="the locale is not in the environment there")
def test_a_locale_without_letters_changes_no_file(tmp_path: Path) -> None:
    text = (SWEEPER / "machine.toml").read_text(encoding="utf-8").replace('"Street sweeper"', '"Kehrmaschine Ä7"')
    (tmp_path / "karte-ü.toml").write_text(text, encoding="utf-8")
    words = ["postmortem", SWEEPER / "capture.log.gz", "--machine", tmp_path / "karte-ü.toml"]
    words += ["--actions", SWEEPER / "actions.csv"]
    plain = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    command = [sys.executable, "-X", "warn_default_encoding", "-m", "busdoc", *map(str, words)]
    done = subprocess.run(
        [*command, "--tables", tmp_path / "c", "--json"], env=plain, capture_output=True, check=False, timeout=120
    )
    ours = [line for line in done.stderr.decode("ascii").splitlines() if "EncodingWarning" in line and "busdoc" in line]
    assert (done.returncode, ours) == (1, [])
    out = typed(*words, "--tables", tmp_path / "u", "--json")[1]
    assert json.loads(done.stdout) == json.loads(out)
    for path in (tmp_path / "u").glob("*.csv"):
        assert path.read_bytes() == (tmp_path / "c" / path.name).read_bytes()


def names_of_files(folder: Path) -> int:
    """See that the names of all files in a folder suit every system; give how many they are."""
    names = [path.relative_to(folder) for path in folder.rglob("*")]
    assert [str(name) for name in names if any(RESERVED.search(part) for part in name.parts)] == []
    folded = [str(name).casefold() for name in names]
    assert len(set(folded)) == len(folded)  # a disk may not tell upper and lower case apart
    assert max(len(str(name)) for name in names) < 120  # of the 260 that a path may have
    return len(names)


def test_names_of_tables_suit_every_system(tmp_path: Path) -> None:
    typed("postmortem", SWEEPER / "capture.log.gz", "--db", DATABASE, "--tables", tmp_path, "--signals", "VEP1.*")
    assert names_of_files(tmp_path) > 24


def test_databases_of_one_name_are_kept_side_by_side_without_what_cannot_be_used(tmp_path: Path) -> None:
    for folder, name in (("front", "machine.dbc"), ("rear", "Machine.DBC")):
        (tmp_path / folder).mkdir()
        shutil.copy(DATABASE, tmp_path / folder / name)
    (tmp_path / "front" / "broken.kcd").write_text("<NetworkDefinition>\n", encoding="utf-8")
    words = ("--replay", SWEEPER / "capture.log.gz", "--speed", "max", "--plain", "--quiet")
    databases = ("--db", f"can0={tmp_path / 'front'}", "--db", f"1={tmp_path / 'rear' / 'Machine.DBC'}")
    typed("isolate", *words, *databases, "--session", tmp_path / "s")
    assert {path.name for path in (tmp_path / "s" / "databases").iterdir()} == {"machine.dbc", "Machine-2.DBC"}
    told = json.loads(typed("postmortem", tmp_path / "s", "--json")[1])["databases"]
    assert [one["channel"] for one in told] == ["can0", 1]
    assert names_of_files(tmp_path / "s") > 10


def test_where_one_table_is_held_by_another_program_none_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "incidents.csv").mkdir()  # cannot be opened either, and that on every system
    (tmp_path / "actions.csv").write_text("of the time before\n", encoding="utf-8")
    status, _, err = typed("postmortem", SWEEPER / "capture.log.gz", "--tables", tmp_path)
    assert status == 2
    assert "incidents.csv: expected a file of an earlier run" in err
    assert (tmp_path / "actions.csv").read_text(encoding="utf-8") == "of the time before\n"
    assert {path.name for path in tmp_path.iterdir()} == {"incidents.csv", "actions.csv"}


def test_a_system_without_sigterm_is_ended_by_what_it_has(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("SIGTERM", "SIGHUP"):
        monkeypatch.delattr(signal, name, raising=False)
    with ended_by_signals() as stopping:
        signal.raise_signal(signal.SIGINT)
        assert stopping.is_set()


def test_line_ends_of_the_other_system_change_nothing(tmp_path: Path) -> None:
    files = (SWEEPER / "machine.toml", SWEEPER / "actions.csv", DATABASE)
    for file in files:
        unix = file.read_bytes().replace(b"\r\n", b"\n")
        for folder, content in (("unix", unix), ("dos", unix.replace(b"\n", b"\r\n"))):
            (tmp_path / folder).mkdir(exist_ok=True)
            (tmp_path / folder / file.name).write_bytes(content)

    def told(folder: str) -> object:
        here = tmp_path / folder
        words = ("--machine", here / "machine.toml", "--actions", here / "actions.csv", "--db", here / DATABASE.name)
        tree = json.loads(typed("postmortem", SWEEPER / "capture.log.gz", *words, "--json")[1])
        return {key: value for key, value in tree.items() if key != "databases"}

    assert told("dos") == told("unix")
