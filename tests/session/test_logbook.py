"""The logbook and its store: what was acknowledged is on disk, and every change is kept."""

import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.actions.action import Action, ActionKind
from busdoc.errors import InputError
from busdoc.session.logbook import Logbook
from busdoc.session.rows import Entry
from busdoc.session.store import SessionStore

S = 10**9


GOOD = {"n": 1, "time_ns": 5, "uncertainty_ns": 0, "kind": "unplug", "part": "x", "into": None, "note": ""}
GOOD |= {"origin": "journal"}


def press(book: Logbook, at_s: float, kind: ActionKind = ActionKind.UNPLUG, part: str | None = "harness-A") -> Action:
    return book.act(kind, part, None, time_ns=round(at_s * S), uncertainty_ns=S)


def reopened(path: Path) -> Logbook:
    return Logbook(SessionStore(path), lambda: 0)


def test_a_press_is_on_disk_when_it_is_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    book = reopened(path)
    action = press(book, 12.5)
    assert reopened(path).actions == (action,)  # the first one was never closed, as after a crash


def test_each_commit_is_written_through(tmp_path: Path) -> None:
    """SQLite documentation, PRAGMA synchronous: in WAL mode only FULL (2) survives a power cut with all commits."""
    store = SessionStore(tmp_path / "session.sqlite")
    assert store._file.execute("PRAGMA synchronous").fetchone() == (2,)
    assert store._file.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_undo_and_redo_go_back_and_forth(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    book = reopened(path)
    first, second = press(book, 1), press(book, 2, ActionKind.PLUG)
    assert book.undo() == second
    assert book.undo() == first
    assert book.undo() is None
    assert book.redo() == first
    assert book.redo() == second
    assert book.redo() is None
    assert reopened(path).actions == (first, second)


def test_a_new_press_ends_what_could_be_done_again() -> None:
    book = Logbook(None, lambda: 0)
    press(book, 1)
    book.undo()
    press(book, 2)
    assert book.redo() is None


def test_a_press_is_moved_in_time_and_keeps_its_number(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    book = reopened(path)
    press(book, 10)
    press(book, 20, ActionKind.PLUG)
    book.retime(2, 5 * S)
    assert [action.n for action in reopened(path).actions] == [2, 1]
    assert [action.n for action in reopened(path).numbered()] == [1, 2]


def test_a_branch_is_renamed_from_the_beginning() -> None:
    book = Logbook(None, lambda: 0)
    press(book, 1, part="A")
    book.act(ActionKind.PLUG, "B", "A:1", time_ns=2 * S, uncertainty_ns=S)
    book.give_labels({"A": 1, "B": 2})
    book.rename("A", "left")
    assert [(action.part, action.into) for action in book.actions] == [("left", None), ("B", "left:1")]
    assert book.labels == {"left": 1, "B": 2}


def test_a_number_that_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="the number of an action"):
        Logbook(None, lambda: 0).retime(3, 0)


def test_what_cannot_be_written_is_not_logged(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    store = SessionStore(path)
    book = Logbook(store, lambda: 0)
    first = press(book, 1)
    pages = store._file.execute("PRAGMA page_count").fetchone()[0]
    store._file.execute(f"PRAGMA max_page_count = {pages}")  # SQLite's own "database or disk is full"

    def press_until_it_is_full() -> None:
        for n in range(2, 500):
            press(book, n, part="x" * 200)

    with pytest.raises(InputError, match=r"full\. Nothing was logged"):
        press_until_it_is_full()
    logged = book.actions
    assert logged[0] == first
    assert reopened(path).actions == logged


def test_a_store_of_a_newer_layout_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    SessionStore(path).close()
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA user_version = 99")
    with pytest.raises(InputError, match="newer busdoc"):
        SessionStore(path)


def test_another_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "session.sqlite"
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE messages (ts REAL)")
    with pytest.raises(InputError, match="a folder that busdoc made"):
        SessionStore(path)
    path.write_bytes(b"not a database at all" * 100)
    with pytest.raises(InputError, match="journal of a session"):
        SessionStore(path)


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("press"), st.integers(0, 1000)),
        st.tuples(st.just("undo"), st.just(0)),
        st.tuples(st.just("redo"), st.just(0)),
        st.tuples(st.just("retime"), st.integers(0, 1000)),
    ),
    max_size=25,
)


@settings(max_examples=30)
@given(steps=STEPS)
def test_read_through_again_the_rows_come_to_the_same(
    steps: list[tuple[str, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("book") / "session.sqlite"
    book = reopened(path)
    for what, value in steps:
        if what == "press":
            press(book, value)
        elif what == "undo":
            book.undo()
        elif what == "redo":
            book.redo()
        elif book.actions:
            book.retime(book.actions[0].n, value * S)
    again = reopened(path)
    assert again.actions == book.actions
    assert again.redo() == book.redo()


@pytest.mark.parametrize(
    "spoilt",
    [
        Entry(kind="retime", body={"n": 1, "time_ns": [7], "uncertainty_ns": 0}),
        Entry(kind="retime", body={"n": 1, "time_ns": True, "uncertainty_ns": 0}),
        Entry(kind="put back", body={"action": {**GOOD, "time_ns": "7"}}),
        Entry(kind="put back", body={"action": {**GOOD, "part": ["harness-A"]}}),
        Entry(kind="act", body={**GOOD, "n": [2]}),
        Entry(kind="correct", body={"action": {**GOOD, "note": 7}}),
        Entry(kind="undo", body={"n": [1]}),
    ],
    ids=lambda entry: entry.kind,
)
def test_damage_that_is_json_all_the_same_is_counted_and_changes_nothing(spoilt: Entry) -> None:
    book = Logbook.replayed(
        [Entry(kind="act", body=GOOD), spoilt, Entry(kind="act", body={**GOOD, "n": 2, "time_ns": 9})]
    )
    assert [(one.n, one.time_ns, one.part, one.note) for one in book.actions] == [(1, 5, "x", ""), (2, 9, "x", "")]
    assert book.notes == ("Left out of the journal, since it makes no sense: 1 entry.",)
