"""`busdoc isolate --plain` as it is used: played back, typed at from a pipe, killed, and never sending."""

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main
from tests.capture.sending_double import count_sending
from tests.documents import held_to_schema

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
CAPTURE, MAP, ACTIONS = SWEEPER / "capture.log.gz", SWEEPER / "machine.toml", SWEEPER / "actions.csv"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"
SHOWN = ("--machine", MAP, "--db", DATABASE)
QUICK = ("--plain", "--replay", CAPTURE, "--speed", "max", "--quiet")


def run(*words: object, monkeypatch: pytest.MonkeyPatch, typed: str = "") -> tuple[int, str, str]:
    """Run a command with these lines typed."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    stdout, stderr = io.StringIO(), io.StringIO()
    status = main([str(word) for word in words], Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": "100"}))
    return int(status), stdout.getvalue(), stderr.getvalue()


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str]:
    """Play the sweeper's recording and journal once: the folder, the exit status, what was said."""
    path = tmp_path_factory.mktemp("played") / "s"
    with pytest.MonkeyPatch.context() as monkeypatch:
        status, out, err = run(
            "isolate", *QUICK, *SHOWN, "--actions", ACTIONS, "--session", path, monkeypatch=monkeypatch
        )
    assert err == ""
    return path, status, out


def test_a_replay_ends_with_the_verdict_and_status_1(played: tuple[Path, int, str]) -> None:
    path, status, out = played
    assert status == ExitStatus.TROUBLE
    assert "Repair proved: gate-angle was replaced, and quiet for" in out
    assert f"Kept in {path}; busdoc postmortem {path} reads it." in out


def test_cautions_are_the_first_that_is_said(played: tuple[Path, int, str]) -> None:
    lines = played[2].splitlines()
    assert lines[0].startswith("Session on Street sweeper")
    assert lines[1] == "Caution: Prop the hopper before working under it."
    assert all(line.startswith("Caution: ") for line in lines[1:4])


def test_losses_returns_and_presses_are_lines_with_their_times(played: tuple[Path, int, str]) -> None:
    said = [line for line in played[2].splitlines() if re.match(r"\d\d:\d\d:\d\d  ", line)]
    assert sum("hopper dropped off the bus" in line and "expected" not in line for line in said) == 4
    assert any(re.search(r"hopper is back in step after [\d.]+ s, it restarted", line) for line in said)
    assert sum("logged: " in line for line in said) == 20


def test_the_folder_gives_the_same_verdict_afterwards(
    played: tuple[Path, int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, status, out = played
    again, text, _ = run("postmortem", path, monkeypatch=monkeypatch)
    assert again == status
    verdict = next(line for line in out.splitlines() if line.startswith("Hopper"))
    assert verdict in " ".join(text.split())


def test_a_healthy_machine_is_status_0(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gzip

    quiet = gzip.decompress(CAPTURE.read_bytes()).splitlines(keepends=True)[:2500]
    (tmp_path / "quiet.log").write_bytes(b"".join(quiet))
    words = ("isolate", "--plain", "--replay", tmp_path / "quiet.log", "--speed", "max")
    status, out, _ = run(*words, *SHOWN, monkeypatch=monkeypatch)
    assert status == ExitStatus.HEALTHY
    assert "Healthy" in out


def test_json_is_one_document_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    words = ("isolate", *QUICK, *SHOWN, "--actions", ACTIONS, "--json")
    status, out, err = run(*words, monkeypatch=monkeypatch)
    assert status == ExitStatus.TROUBLE
    tree = held_to_schema(out)
    assert tree["schema"] == "busdoc-verdict/1"
    assert tree["suspects"][0]["part"] == "gate-angle"
    assert "hopper dropped off the bus" in err


TYPED = """\
status
labels
unplug steer
unplug 4
ago 3
undo
redo
note brush stopped
mark
tree
swap harness-A harness-B
quit
quit
"""


@pytest.fixture(scope="module")
def typed() -> str:
    with pytest.MonkeyPatch.context() as monkeypatch:
        return run("isolate", *QUICK, *SHOWN, monkeypatch=monkeypatch, typed=TYPED)[1]


@pytest.mark.parametrize(
    "said",
    [
        "hopper: steady since",
        "  10  hopper",
        "Logged: unplugged steering.",
        "Unplugged steering 3 s ago.",
        "Taken back: unplugged steering.",
        "Noted: brush stopped",
        "Marked.",
        "4: steering (controller, unplugged",
        "Logged: swapped harness-A with harness-B.",
        "Not back: steering is still unplugged.",
        "Not back: harness-A sits in hopper:B, it came from hopper:A.",
        "Type quit again to leave all the same.",
    ],
)
def test_typed_lines_are_answered(said: str, typed: str) -> None:
    assert said in typed


def test_what_was_typed_is_not_told_twice(typed: str) -> None:
    assert "logged: swapped" not in typed


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("dance", "expected one of the list"),
        ("unplug", "expected a name, a few letters or a number"),
        ("unplug zebra", "expected a part of the map, found no such part"),
        ("unplug harness", "letters of one part"),
        ("swap harness-A", "expected two parts"),
        ("power sideways", "expected off, on or cycle"),
        ("ago soon", "expected seconds"),
        ("refuse\n" * 40, "expected a proposal"),
        ("rename harness-A left", "a branch that was named here"),
    ],
)
def test_a_line_that_cannot_be_done_gets_a_sentence(line: str, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    status, out, _ = run("isolate", *QUICK, *SHOWN, monkeypatch=monkeypatch, typed=f"{line}\nquit\n")
    assert said in out
    assert "Not done: " in out
    assert status in (ExitStatus.HEALTHY, ExitStatus.TROUBLE)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--replay", "nowhere.log"], "nowhere.log"),
        (["--bus", "virtual:x", "--replay", "nowhere.log"], "either --bus or --replay"),
        (["--bus", "virtual:x", "--actions", "a.csv"], "--replay beside it"),
        (["--replay", str(CAPTURE), "--speed", "-1"], "--speed"),
        (["--replay", str(CAPTURE), "--on-event", "no-such-program-here"], "a program and its arguments"),
        (["--replay", str(CAPTURE), "--report", "report.txt"], "FILE.html or FILE.pdf"),
        (["--replay", str(CAPTURE), "--machine", "nowhere.toml"], "nowhere.toml"),
        (["--bus", "nobody:x"], "nobody"),
    ],
)
def test_what_cannot_be_begun_gets_a_sentence_and_leaves_nothing(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err = run("isolate", "--plain", *words, monkeypatch=monkeypatch)
    assert (status, out) == (ExitStatus.COULD_NOT, "")
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_a_proposal_is_answered_once(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = "refuse\n" * 40 + "quit\n"
    _, out, _ = run("isolate", *QUICK, *SHOWN, monkeypatch=monkeypatch, typed=typed)
    assert out.count("Refused.") == out.count("take or refuse?") > 10


@pytest.mark.parametrize("command", [("resync",), ("baseline", "-o", "learnt.toml")])
def test_every_command_that_reads_a_recording_takes_the_folder_of_a_session(
    played: tuple[Path, int, str], command: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    of_folder = run(*command, played[0], monkeypatch=monkeypatch)
    Path("learnt.toml").unlink(missing_ok=True)  # a map that is there is added to
    of_recording = run(*command, played[0] / "recording", monkeypatch=monkeypatch)
    assert of_folder == of_recording
    assert of_folder[0] != ExitStatus.COULD_NOT


def test_a_recording_is_not_mixed_into_the_folder_of_a_session(
    played: tuple[Path, int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    status, _, err = run("record", "--bus", "virtual:unmixed", "-o", played[0], monkeypatch=monkeypatch)
    assert status == ExitStatus.COULD_NOT
    assert "found the folder of a session. Name another with -o." in err


def test_a_session_is_not_played_over(played: tuple[Path, int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    status, _, err = run("isolate", *QUICK, "--session", played[0], monkeypatch=monkeypatch)
    assert status == ExitStatus.COULD_NOT
    assert "a new folder for a replay" in err


def test_nothing_is_ever_sent_by_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = count_sending(monkeypatch)
    words = ("isolate", "--plain", "--bus", "virtual:isolate-1", "--session", tmp_path / "s")
    run(*words, monkeypatch=monkeypatch, typed="unplug A\npower cycle\nplug A\nquit\nquit\n")
    run("isolate", "--plain", "--bus", "serial:/dev/nowhere-at-all", monkeypatch=monkeypatch)
    assert sent.n == 0


def test_no_bell_is_written_to_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    words = ("isolate", "--plain", "--replay", CAPTURE, "--speed", "max", *SHOWN, "--actions", ACTIONS)
    _, out, _ = run(*words, monkeypatch=monkeypatch)
    assert "dropped off the bus" in out
    assert "\a" not in out


def test_a_session_that_is_killed_loses_no_press_that_was_answered(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "busdoc", "isolate", "--plain", "--quiet", "--session", str(tmp_path / "s")]
    process = subprocess.Popen(
        [*command, "--replay", str(CAPTURE), "--machine", str(MAP)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write("unplug harness-A\nunplug harness-B\nundo\n")
    process.stdin.flush()
    assert any(line.startswith("Taken back") for line in process.stdout)  # reads no further than that line
    process.kill()
    process.wait()
    process.stdout.close()
    process.stdin.close()
    stdout = io.StringIO()
    main(["postmortem", str(tmp_path / "s"), "--json"], Surroundings(stdout=stdout, stderr=io.StringIO(), environ={}))
    tree = json.loads(stdout.getvalue())
    assert [action["part"] for action in tree["actions"]] == ["harness-A"]
    assert tree["capture"]["frames"] > 0


@pytest.mark.skipif(os.name == "nt", reason="the program is a shell script")
def test_a_command_of_ones_own_hears_of_each_event(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told = tmp_path / "told.txt"
    script = tmp_path / "tell.sh"
    script.write_text(
        f'#!/bin/sh\necho "$BUSDOC_EVENT|$BUSDOC_CONTROLLER|$BUSDOC_TEXT" >> "{told}"\n', encoding="utf-8"
    )
    script.chmod(0o755)
    lines = ("unplug harness-A", "note $(touch pwned) `touch pwned` ; touch pwned", "quit", "quit")
    monkeypatch.chdir(tmp_path)
    run("isolate", *QUICK, *SHOWN, "--on-event", str(script), monkeypatch=monkeypatch, typed="\n".join(lines))
    text = told.read_text(encoding="utf-8")
    assert "action||logged: unplugging harness-A" in text
    assert not (tmp_path / "pwned").exists()
    assert "$(touch pwned)" in text
