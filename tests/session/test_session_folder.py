"""The folder of a session: made, locked, gone on with, and given to the post-mortem."""

import gzip
import json
import math
from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind
from busdoc.actions.journal import load_journal
from busdoc.analysis.postmortem import postmortem
from busdoc.capture.no_bus import NoBus
from busdoc.capture.playback import Playback
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.decode.database.database import load_databases
from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.machine.machine_map import load_machine
from busdoc.report.json.document import document
from busdoc.session.folder import SessionFolder, read_session
from busdoc.words.counting import counted

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
CAPTURE, MAP, ACTIONS = SWEEPER / "capture.log.gz", SWEEPER / "machine.toml", SWEEPER / "actions.csv"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


class HandClock:
    """A clock that goes on by itself, a little with each look."""

    def __init__(self, step: float) -> None:
        self.now = 0.0
        self.step = step

    def __call__(self) -> float:
        self.now += self.step
        return self.now


def played(speed: float, *, folder: SessionFolder | None = None, actions: Path | None = ACTIONS) -> LiveSession:
    """Play the sweeper's recording through a session to its end; no real time passes."""
    machine = load_machine(MAP)
    ns = HandClock(50_000_000)
    source = Playback([CAPTURE], speed, clock_ns=lambda: round(ns()))
    session = LiveSession(source, machine, load_databases([DATABASE]), folder=folder, clock_s=HandClock(0.05))
    session.start()
    if actions is not None:
        session.play(load_journal(actions, machine, start_ns=source.now_ns(), epoch=source.epoch).actions)
    while not source.finished:
        session.step()
    session.close()
    return session


@pytest.mark.parametrize("speed", [25.0, 50.0, math.inf])
def test_a_replay_comes_to_what_the_post_mortem_says(speed: float) -> None:
    session = played(speed)
    whole = document(postmortem([CAPTURE], databases=[DATABASE], machine_file=MAP, journal_file=ACTIONS))
    live = document(session.result())
    for key in (
        "headline",
        "controllers",
        "incidents",
        "actions",
        "trials",
        "suspects",
        "next_tests",
        "codes",
        "resync",
    ):
        assert live[key] == whole[key], key


def test_the_folder_gives_the_verdict_that_was_shown(tmp_path: Path) -> None:
    folder = SessionFolder(tmp_path / "s", machine_file=MAP, databases=[DATABASE], command="busdoc isolate")
    session = played(50.0, folder=folder)
    shown = session.view()
    result = postmortem([tmp_path / "s"])
    assert document(result)["headline"] == shown.headline
    assert result.isolation is not None
    assert result.isolation.suspects == shown.suspects
    assert result.incidents == session.result().incidents
    assert [(a.kind, a.part, a.time_ns) for a in result.actions] == [(a.kind, a.part, a.time_ns) for a in shown.actions]


def test_the_incidents_are_kept_beside_what_was_done(tmp_path: Path) -> None:
    session = played(50.0, folder=SessionFolder(tmp_path / "s", machine_file=MAP, databases=[DATABASE]))
    folder = SessionFolder(tmp_path / "s")
    kept = folder.store.incidents()
    folder.close()
    assert len(kept) == len(session.result().incidents)
    assert sum(body["kind"] == "dropout" and not body["expected"] for body in kept.values()) == 4


def test_a_session_that_broke_off_is_gone_on_with(tmp_path: Path) -> None:
    lines = gzip.decompress(CAPTURE.read_bytes()).splitlines(keepends=True)
    (tmp_path / "morning.log").write_bytes(b"".join(lines[:9000]))
    (tmp_path / "later.log").write_bytes(b"".join(lines[9500:]))
    machine = load_machine(MAP)

    def session(name: str, folder: SessionFolder) -> LiveSession:
        ns = HandClock(50_000_000)
        source = Playback([tmp_path / name], 50.0, clock_ns=lambda: round(ns()))
        return LiveSession(source, machine, folder=folder, clock_s=HandClock(0.05))

    first_folder = SessionFolder(tmp_path / "s", machine_file=MAP)
    first = session("morning.log", first_folder)
    first.start()
    while not first.source.finished:
        first.step()
    pressed = first.act(ActionKind.UNPLUG, "harness-A")
    recorder = first_folder.recorder(first.source.channels)
    assert isinstance(recorder, LogRecorder)
    recorder._gap_file.close()
    first_folder._lock.close()  # both as the end of the process would, with nothing else put in order

    second_folder = SessionFolder(tmp_path / "s")
    assert second_folder.resumed
    second = session("later.log", second_folder)
    second.start()
    kept = second.view().actions
    assert kept == first.view().actions  # with what the traffic showed of the power
    assert pressed in kept
    assert [one.kind for one in second.happenings(0)] == ["note"]
    while not second.source.finished:
        second.step()
    second.close()
    assert second.view().frames == len(lines) - 500
    assert second.view().recording.endswith(f"{counted(len(lines) - 500, 'frame')}")
    result = postmortem([tmp_path / "s"])
    assert result.incidents == second.result().incidents
    assert [gap.why for gap in result.health.gaps if gap.kind == "capture-gap"] == ["the recorder was not running"]
    assert (pressed.kind, pressed.time_ns) in [(one.kind, one.time_ns) for one in result.actions]


def test_what_was_chosen_to_isolate_is_kept_for_the_next_time_and_for_the_post_mortem(tmp_path: Path) -> None:
    """A code that never drops anybody out; and one that never comes, which is no mistake in a session."""
    folder = SessionFolder(tmp_path / "s", machine_file=MAP, databases=[DATABASE])
    first = played(math.inf, folder=folder)
    assert folder.complaint is None
    assert first.result().complaint is None  # the dropouts
    folder = SessionFolder(tmp_path / "s")
    second = LiveSession(NoBus(), load_machine(MAP), folder=folder, clock_s=HandClock(0.05))
    second.isolate("code:hopper:3509/4")
    folder.close()
    again = SessionFolder(tmp_path / "s")
    assert again.complaint == read_session(tmp_path / "s").complaint == "code:hopper:3509/4"
    chosen = postmortem([tmp_path / "s"]).complaint
    assert chosen is not None
    assert chosen.codes == ("SPN 3509 FMI 4",)
    asked = postmortem([tmp_path / "s"], symptom="dropout")  # what is asked now goes before what was asked then
    assert asked.complaint is None
    again.keep_complaint("code:engine:100/1")
    again.close()
    patient = postmortem([tmp_path / "s"])
    assert patient.complaint is None
    assert patient.isolation == first.result().isolation


def test_two_sessions_do_not_share_a_folder(tmp_path: Path) -> None:
    first = SessionFolder(tmp_path / "s")
    with pytest.raises(InputError, match="one that is running"):
        SessionFolder(tmp_path / "s")
    first.close()
    SessionFolder(tmp_path / "s").close()


def test_a_folder_with_other_files_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "holiday.txt").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="other files"):
        SessionFolder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.txt"]


def test_a_folder_that_must_not_be_written_is_read_all_the_same(tmp_path: Path) -> None:
    played(50.0, folder=SessionFolder(tmp_path / "s", machine_file=MAP, databases=[DATABASE]))
    for path in (tmp_path / "s").iterdir():
        if path.is_file():
            path.chmod(0o444)
    kept = read_session(tmp_path / "s")
    assert len(kept.actions) == 20
    assert kept.machine_file == tmp_path / "s" / "machine.toml"
    assert kept.databases == (tmp_path / "s" / "databases" / DATABASE.name,)


def test_the_command_line_is_kept(tmp_path: Path) -> None:
    SessionFolder(tmp_path / "s", command="busdoc isolate --bus x", version="1").close()
    folder = SessionFolder(tmp_path / "s")
    about = folder.store.rows().about
    folder.close()
    assert about["command"] == "busdoc isolate --bus x"
    assert json.loads(about["databases"]) == []
    assert {"began", "resumed"} <= set(about)


def test_a_command_line_with_bytes_that_are_no_letters_is_kept(tmp_path: Path) -> None:
    """As Python hands on what a name's bytes do not decode to (PEP 383), under a C locale above all."""
    folder = SessionFolder(tmp_path / "s", command="busdoc isolate --session sitzung-\udcfc")
    about = folder.store.rows().about
    folder.close()
    assert about["command"] == "busdoc isolate --session sitzung-\\udcfc"
