"""A disk that fills under a session: it goes on, refuses what it cannot keep, loses nothing it had answered."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.session.folder import read_session
from tests.truth.scripted_bus import begun, run

S = 10**9


def marked_until_refused(session: LiveSession) -> tuple[list[Action], str]:
    """Press until a press is refused; give what was answered, and the refusal."""
    answered: list[Action] = []
    try:
        while len(answered) < 500:
            answered.append(session.act(ActionKind.MARK, note="x" * 200))
    except InputError as error:
        return answered, str(error)
    return answered, ""


def test_a_press_that_finds_no_room_is_refused_and_the_session_goes_on(tmp_path: Path) -> None:
    bus, session, folder = begun(tmp_path / "s")
    run(bus, session, 10)
    answered = [session.act(ActionKind.UNPLUG, "A")]
    pages = folder.store._file.execute("PRAGMA page_count").fetchone()[0]
    folder.store._file.execute(f"PRAGMA max_page_count = {pages}")  # SQLite's own "database or disk is full"
    marked, why = marked_until_refused(session)
    answered += marked
    assert "full" in why
    assert "Nothing was logged. Make room" in why
    frames = session.view().frames
    run(bus, session, 5)
    assert session.view().frames > frames
    assert session.view().actions == tuple(answered)
    folder.store._file.execute("PRAGMA max_page_count = 1000000")
    answered.append(session.act(ActionKind.PLUG, "A"))
    run(bus, session, 2)
    assert session.view().trouble == ""
    session.close()
    kept = read_session(tmp_path / "s").actions
    assert [(action.kind, action.time_ns, action.note) for action in kept] == [
        (action.kind, action.time_ns, action.note) for action in answered
    ]


def test_incidents_that_find_no_room_are_a_trouble_that_is_shown(tmp_path: Path) -> None:
    bus, session, folder = begun(tmp_path / "s")
    run(bus, session, 30)
    folder.store._file.execute("PRAGMA query_only = ON")  # any write fails, as on a disk that was pulled out
    bus.hopper_on = False
    run(bus, session, 5)
    assert "the journal" in session.view().trouble
    folder.store._file.execute("PRAGMA query_only = OFF")
    bus.hopper_on = True
    run(bus, session, 10)
    assert session.view().trouble == ""
    assert len(folder.store.incidents()) == 1
    session.close()


PROGRAM = """
import resource, sys
from pathlib import Path
from busdoc.actions.action import ActionKind
from busdoc.errors import InputError
from tests.truth.scripted_bus import begun, run

bus, session, folder = begun(Path(sys.argv[1]))
run(bus, session, 20)
answered = refused = 0
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), resource.RLIM_INFINITY))
for n in range(100):
    run(bus, session, 1)
    try:
        session.act(ActionKind.MARK, note=f"mark {n}")
        answered += 1
        print("answered", n, flush=True)
    except InputError:
        refused += 1
session.close()
print("end", answered, refused, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="files have no limit of their own there")
def test_files_that_may_not_grow_damage_nothing_that_was_answered(tmp_path: Path) -> None:
    """A limit on the size of a file makes the system itself refuse to write, recording and journal alike."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path / "s"), "60000"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stderr
    *lines, end = done.stdout.splitlines()
    _, answered, refused = end.split()
    assert int(answered) > 0
    assert int(refused) > 0
    kept = read_session(tmp_path / "s")
    assert [action.note for action in kept.actions] == [f"mark {line.split()[1]}" for line in lines]
    result = postmortem([tmp_path / "s"])
    assert result.capture.epoch
    assert len(result.actions) == int(answered)
    shutil.rmtree(tmp_path / "s")
