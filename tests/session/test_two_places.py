"""A session kept in two folders: one may be deleted or pulled out, and no press is refused or lost for it."""

import contextlib
import gc
import itertools
import shutil
from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind
from busdoc.capture.recorder import recorder, twofold
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.machine.machine import Machine
from busdoc.session import folder as folder_module
from busdoc.session import twofold as twofold_store
from busdoc.session.folder import SessionFolder, read_session
from busdoc.session.store import SessionStore
from tests.truth.scripted_bus import START_NS, S, ScriptedBus, run

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"


@pytest.fixture(autouse=True)
def looks_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "_LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(twofold, "_TRY_EVERY_S", 0.0)
    monkeypatch.setattr(twofold_store, "_TRY_EVERY_S", 0.0)


def begun(path: Path, also: Path) -> tuple[ScriptedBus, LiveSession, SessionFolder]:
    bus, folder = ScriptedBus(), SessionFolder(path, also=also, machine_file=SWEEPER / "machine.toml")
    session = LiveSession(bus, Machine(), folder=folder, clock_s=lambda: (bus.clock_ns - START_NS) / S)
    session.start()
    return bus, session, folder


def marks(path: Path) -> list[str]:
    return [action.note for action in read_session(path).actions]


def test_a_folder_that_left_and_returned_holds_every_press(tmp_path: Path) -> None:
    one, other = tmp_path / "s", tmp_path / "also"
    bus, session, folder = begun(one, other)
    run(bus, session, 2)
    session.act(ActionKind.MARK, note="both")
    one.rename(tmp_path / "away")
    session.act(ActionKind.MARK, note="second only")
    run(bus, session, 2)
    assert f"{one / 'recording'} is gone: all is kept in {other / 'recording'}" in session.view().trouble
    assert session.folder_path == other
    shutil.copytree(tmp_path / "away", one)
    run(bus, session, 2)
    session.act(ActionKind.MARK, note="both again")
    assert session.view().trouble == ""
    assert session.folder_path == one
    session.close()
    for path in (one, other):
        assert marks(path) == ["both", "second only", "both again"]
        assert read_session(path).machine_file is not None
    frames = [sorted(p.read_bytes() for p in path.glob("recording/*.log.gz")) for path in (one, other)]
    assert len(frames[0]) >= 1
    assert folder.path == one


def test_a_folder_that_stays_away_leaves_all_in_the_second(tmp_path: Path) -> None:
    one, other = tmp_path / "s", tmp_path / "also"
    bus, session, _ = begun(one, other)
    run(bus, session, 2)
    shutil.rmtree(one)
    session.act(ActionKind.MARK, note="second only")
    run(bus, session, 2)
    session.close()
    assert session.result().health.frames == session.view().frames
    assert session.folder_path == other
    assert not one.exists()
    assert marks(other) == ["second only"]
    folder = SessionFolder(one, also=other)  # gone on with, from what the second holds
    assert folder.resumed
    assert "held no session; what" in " ".join(folder.notes)
    folder.close()
    assert marks(one) == ["second only"]


def test_a_press_is_refused_only_where_neither_folder_takes_it(tmp_path: Path) -> None:
    one, other = tmp_path / "s", tmp_path / "also"
    bus, session, _ = begun(one, other)
    run(bus, session, 1)
    for path in (one, other):
        path.rename(path.with_name(f"{path.name} away"))
    with pytest.raises(InputError, match="Nothing was logged"):
        session.act(ActionKind.MARK, note="nowhere")
    for path in (one, other):
        path.with_name(f"{path.name} away").rename(path)
    session.act(ActionKind.MARK, note="both")
    session.close()
    assert marks(one) == marks(other) == ["both"]


class _KilledError(BaseException):
    """Nobody's to catch."""


@pytest.mark.parametrize("n_written", range(1, 4))
def test_two_places_that_were_cut_off_in_their_beginning_are_gone_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_written: int
) -> None:
    """Whatever had been said of the session by then, in the one or the other, and however long it took."""
    left, hours, describe = [n_written], itertools.count(), SessionStore.describe

    def describe_and_die(store: SessionStore, **about: str) -> None:
        describe(store, **about)
        left[0] -= 1
        if not left[0]:
            raise _KilledError

    monkeypatch.setattr(folder_module, "_now_text", lambda: f"2026-03-02T{next(hours):02d}:00:00Z")
    with monkeypatch.context() as patched, contextlib.suppress(_KilledError):
        patched.setattr(SessionStore, "describe", describe_and_die)
        SessionFolder(tmp_path / "s", also=tmp_path / "also").close()
    gc.collect()  # a process that dies lets go of its locks
    folder = SessionFolder(tmp_path / "s", also=tmp_path / "also")
    folder.store.add("action", {}, 1)
    folder.close()
    rows = [SessionStore(tmp_path / name / "session.sqlite").raw_rows() for name in ("s", "also")]
    assert rows[0] == rows[1] != []


def test_another_session_is_no_second_place(tmp_path: Path) -> None:
    for name in ("s", "t"):
        folder = SessionFolder(tmp_path / name)
        folder.store.describe(began=name)
        folder.close()
    with pytest.raises(InputError, match="another session"):
        SessionFolder(tmp_path / "s", also=tmp_path / "t")
    SessionFolder(tmp_path / "s").close()  # both are let go of
    SessionFolder(tmp_path / "t").close()
    with pytest.raises(InputError, match="another folder than the session's"):
        SessionFolder(tmp_path / "s", also=tmp_path / "s")
