"""The notes of a recording: how its buses were listened to, for whoever reads it later."""

from dataclasses import replace
from pathlib import Path

from busdoc.capture.listening import BusState, Hearing
from busdoc.capture.recorder.notes import BusNote, BusNotes, NoteFile, bus_in_words, read_remarks
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.source import open_capture
from tests.capture.random_frames import random_block, three_channels

NOON_NS = 1_772_452_800 * 10**9
BUS = BusState(name="socketcan:can0", channel=0, hearing=Hearing.HEARD, since_ns=0, bitrate=250_000, listen_only=True)
TAKES_PART = "it takes part in the bus"


def test_openings_losses_returns_and_remarks_are_noted_once() -> None:
    notes = BusNotes()
    lost = replace(BUS, hearing=Hearing.ADAPTER_LOST, note="can0 is down")
    again = replace(BUS, listen_only=False, remarks=(TAKES_PART,))
    silent = replace(again, hearing=Hearing.SILENT)
    told = [[note.text for note in notes.news([bus])] for bus in (BUS, BUS, lost, lost, again, silent, again)]
    assert told == [
        ["listening to socketcan:can0 at 250 kbit/s, listen only"],
        [],
        ["socketcan:can0 does not answer: can0 is down"],
        [],
        ["heard again: socketcan:can0 at 250 kbit/s", f"socketcan:can0: {TAKES_PART}"],
        [],
        [],
    ]


def test_remarks_are_read_back_and_the_rest_is_for_people(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    NoteFile(path).add(NOON_NS, [BusNote(text="listening"), BusNote(text=f"can0: {TAKES_PART}", is_remark=True)])
    assert path.read_text(encoding="utf-8") == (
        f"2026-03-02 12:00:00Z    listening\n2026-03-02 12:00:00Z !  can0: {TAKES_PART}\n"
    )
    assert read_remarks(path) == (f"can0: {TAKES_PART} (noted at 2026-03-02 12:00:00Z)",)
    assert read_remarks(tmp_path / "none.txt") == ()


def test_notes_that_could_not_be_written_are_written_later(tmp_path: Path) -> None:
    file = NoteFile(tmp_path / "later" / "notes.txt")
    file.add(NOON_NS, [BusNote(text="one")])
    (tmp_path / "later").mkdir()
    file.add(NOON_NS, [BusNote(text="two")])
    written = (tmp_path / "later" / "notes.txt").read_text(encoding="utf-8")
    assert [line.split()[-1] for line in written.splitlines()] == ["one", "two"]


def test_whoever_reads_a_recording_is_told_what_was_remarked(tmp_path: Path) -> None:
    for place in (tmp_path / "folder", tmp_path / "one.log"):
        recorder = LogRecorder(place, three_channels(), compress=False, keep_free_bytes=0)
        recorder.note(NOON_NS, [replace(BUS, remarks=(TAKES_PART,))])
        recorder.write(random_block(5, 20, t0_ns=NOON_NS))
        recorder.close()
        capture = open_capture([place])
        list(capture.blocks())
        assert any(TAKES_PART in text for text in capture.warnings)


def test_a_bus_is_worded_with_what_is_known_of_it() -> None:
    assert bus_in_words(replace(BUS, bitrate=None, listen_only=None, note="up to the far end")) == (
        "socketcan:can0, up to the far end"
    )
