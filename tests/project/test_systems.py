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


@pytest.mark.usefixtures("ctrl_c_heard")
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


ANOTHER_SYSTEM = """
import os, pathlib, platform, shutil, socket, sqlite3, subprocess, sys, tempfile, types
import can, cantools, numpy, pandas

locked = set()

def locking(descriptor, mode, size):
    inode = os.fstat(descriptor).st_ino
    if mode and inode in locked:
        raise OSError(13, "Permission denied")
    (locked.add if mode else locked.discard)(inode)

sys.platform = "win32"
for name in ("fcntl", "termios", "tty", "resource", "grp", "pwd"):
    sys.modules[name] = None
sys.modules["msvcrt"] = types.SimpleNamespace(locking=locking, LK_UNLCK=0, LK_NBLCK=2, kbhit=lambda: False)

from busdoc.cli.main import main
from busdoc.files.user_cache import user_cache

capture, map_of_it, database, folder = sys.argv[1:]
print(user_cache("databases"), file=sys.stderr)
known = ["--machine", map_of_it, "--db", database]
main(["isolate", "--replay", capture, "--speed", "max", "--plain", *known, "--session", folder])
print("the verdict of its recording", flush=True)
sys.exit(main(["postmortem", capture, *known, "--json"]))
"""
"""The libraries are loaded as what they are; our own code then finds itself on Windows, without any module of POSIX."""


def test_without_a_module_of_posix_a_session_is_kept_and_a_recording_judged_alike(tmp_path: Path) -> None:
    words = [str(path) for path in (SWEEPER / "capture.log.gz", SWEEPER / "machine.toml", DATABASE)]
    elsewhere = {key: value for key, value in os.environ.items() if key != "BUSDOC_CACHE"}
    done = subprocess.run(
        [sys.executable, "-c", ANOTHER_SYSTEM, *words, tmp_path / "s"],
        env={**elsewhere, "LOCALAPPDATA": str(tmp_path / "local")},
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=120,
    )
    assert done.returncode == 1, done.stderr
    assert done.stderr.startswith(str(tmp_path / "local" / "busdoc"))
    told = done.stdout.split("the verdict of its recording\n")[1]
    assert json.loads(told) == json.loads(
        typed("postmortem", words[0], "--machine", words[1], "--db", words[2], "--json")[1]
    )
    kept = json.loads(typed("postmortem", tmp_path / "s", "--json")[1])
    assert len(kept["incidents"]) == len(json.loads(told)["incidents"])


@pytest.mark.skipif(sys.platform == "win32", reason="long paths may be switched off there")
def test_the_whole_job_in_a_folder_whose_path_is_longer_than_260_letters(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*[f"customers-machines-of-the-north-{n}" for n in range(10)])
    deep.mkdir(parents=True)
    for path in (SWEEPER / "capture.log.gz", SWEEPER / "machine.toml", SWEEPER / "actions.csv", DATABASE):
        shutil.copy(path, deep)
    words = ("--machine", deep / "machine.toml", "--db", deep / DATABASE.name)
    capture, written = deep / "capture.log.gz", ("--tables", deep / "tables", "--report", deep / "record.html")
    status, out, err = typed("postmortem", capture, *words, "--actions", deep / "actions.csv", *written, "--json")
    assert (status, err) == (1, "")
    assert (deep / "tables" / "incidents.csv").exists()
    assert (deep / "record.html").exists()
    typed("isolate", "--replay", capture, "--speed", "max", "--plain", *words, "--session", deep / "session")
    kept = json.loads(typed("postmortem", deep / "session", "--json")[1])
    assert len(kept["incidents"]) == len(json.loads(out)["incidents"])


TOO_LONG = "n" * 300
"""Letters in one name, of which no file system of the three takes more than 255."""


@pytest.mark.parametrize(
    "words",
    [
        ("postmortem", f"{TOO_LONG}.log"),
        ("postmortem", "CAPTURE", "--machine", TOO_LONG),
        ("postmortem", "CAPTURE", "--db", f"{TOO_LONG}.dbc"),
        ("postmortem", "CAPTURE", "--actions", TOO_LONG),
        ("postmortem", "CAPTURE", "--report", f"{TOO_LONG}.html"),
        ("postmortem", "CAPTURE", "--tables", TOO_LONG),
        ("resync", f"{TOO_LONG}.log"),
        ("baseline", f"{TOO_LONG}.log", "-o", "map.toml"),
        ("baseline", "CAPTURE", "-o", TOO_LONG),
        ("isolate", "--replay", "CAPTURE", "--plain", "--session", TOO_LONG),
        ("record", "--bus", "virtual:long", "-o", TOO_LONG),
        ("demo", "-o", TOO_LONG),
        ("fleet", TOO_LONG, "-o", "fleet"),
        ("fleet", "CAPTURE", "-o", TOO_LONG),
    ],
)
def test_a_name_that_no_disk_takes_is_told_in_one_sentence(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, _, err = typed(*[str(SWEEPER / "capture.log.gz") if word == "CAPTURE" else word for word in words])
    assert status == 2
    assert len(err.splitlines()) == 1
    assert re.search(rf"{TOO_LONG}\S*: expected .*, found file name too long\. (Name|Check|Give) ", err)
