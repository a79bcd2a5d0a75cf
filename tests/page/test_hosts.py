"""What the page shows of a return that is counted home and of a recording, and what its presses do there."""

import secrets
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest

from busdoc.actions.action import ActionKind
from busdoc.actions.journal import load_journal
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.errors import InputError
from busdoc.live.bell import Bell
from busdoc.live.resync.resync_live import ResyncLive
from busdoc.machine.machine import Machine
from busdoc.page.aloud import aloud
from busdoc.page.hosts.base import Lately
from busdoc.page.hosts.record import RecordHost
from busdoc.page.hosts.resync import ResyncHost
from busdoc.page.press import Press
from busdoc.times import SECOND_NS
from tests.screen.live_sweeper import LiveSweeper


def press(what: str, at_s: float, *, by: str = "", **said: str) -> Press:
    return Press(
        mark=secrets.token_hex(16),
        what=what,
        at_s=at_s,
        seen_s=at_s,
        since_s=at_s - 10.0,
        by=by,
        said=MappingProxyType(said),
    )


def part(shown: Mapping[str, object], name: str) -> Any:
    return shown[name]


def test_a_return_is_counted_home_on_the_page() -> None:
    sweeper = LiveSweeper((), 1)
    live = ResyncLive(sweeper, sweeper.machine)
    live.start()
    host = ResyncHost(live, Bell())

    def run(seconds: float) -> None:
        for _ in range(round(seconds / 0.25)):
            sweeper.wait(0.25)
            host.tell(live.step())

    run(1.5)
    sweeper.do(ActionKind.POWER_OFF)
    run(2.0)
    shown = host.sections()
    assert part(shown, "state")["text"] == "all silent: switch it on"
    assert part(shown, "step")["press"] == {"what": "power-on"}
    one = press("power-on", 100.0, by="Anna")
    first = host.press(one, 100.5)
    assert first.logged
    assert host.press(one, 104.0) == first
    sweeper.do(ActionKind.POWER_ON)
    run(3.5)
    shown = host.sections()
    home = [row["name"] for row in part(shown, "roll") if row["word"] == "steady"]
    assert 0 < len(home) < 8
    assert part(shown, "state") == {"text": f"{len(home)} of 8 in step", "tone": "warn", "mark": ""}
    assert part(shown, "step").get("press") is None
    assert part(shown, "lately")[0]["text"].startswith(home[-1])
    assert not host.press(press("power-on", 130.0), 130.0).logged
    live.stop()


def test_a_press_of_a_return_is_in_the_journal_before_it_is_told(tmp_path: Path) -> None:
    sweeper = LiveSweeper((), 1)
    journal = tmp_path / "presses.csv"
    live = ResyncLive(sweeper, sweeper.machine, journal=journal)
    live.start()
    host = ResyncHost(live, Bell())
    sweeper.do(ActionKind.POWER_OFF)
    for _ in range(12):
        sweeper.wait(0.25)
        host.tell(live.step())
    one = press("power-on", 100.0, by="Anna")
    answer = host.press(one, 100.5)
    assert answer.logged
    assert "memory" not in answer.text
    host.press(one, 104.0)
    kept = load_journal(journal, sweeper.machine, start_ns=sweeper.now_ns(), epoch=True).actions
    assert [(a.kind, a.note, a.uncertainty_ns) for a in kept] == [(ActionKind.POWER_ON, "by Anna", SECOND_NS // 2)]
    assert sweeper.now_ns() - kept[0].time_ns == SECOND_NS // 2
    # What cannot be written is not noted, and may be pressed again.
    journal.unlink()
    journal.mkdir()
    refused = host.press(press("power-on", 101.0), 101.0)
    assert not refused.logged
    assert "NOT NOTED" in refused.text
    live.stop()


def test_a_press_that_nothing_keeps_says_so() -> None:
    sweeper = LiveSweeper((), 1)
    live = ResyncLive(sweeper, sweeper.machine)
    live.start()
    assert "--actions FILE keeps it" in ResyncHost(live, Bell()).press(press("power-on", 1.0), 1.0).text
    live.stop()


class Marks:
    """A recording in a folder, with its page."""

    def __init__(self, folder: Path) -> None:
        self.sweeper = LiveSweeper((), 1)
        self.recorder = LogRecorder(folder, self.sweeper.channels)
        self.n = 0
        self.host = RecordHost(self.sweeper, self.recorder, lambda: ["0:00:05", "12 frames"], self.count)
        self.now_s = self.sweeper.now_ns() / SECOND_NS

    def count(self) -> None:
        self.n += 1

    def written(self) -> list[tuple[float, str]]:
        journal = load_journal(self.recorder.place.marks_file, Machine(), start_ns=0, epoch=True)
        return [(one.time_ns / SECOND_NS, one.note) for one in journal.actions]


def test_a_mark_in_a_recording_is_made_once_also_after_a_new_start(tmp_path: Path) -> None:
    marks = Marks(tmp_path)
    one = press("mark", marks.now_s - 2.0, by="Anna", text="it twitched")
    assert marks.host.press(one, marks.now_s).logged
    assert marks.host.press(one, marks.now_s + 5.0).logged
    marks.recorder.close()
    again = Marks(tmp_path)  # which has no memory of it, and finds it in the file
    assert again.host.press(one, again.now_s).logged
    ((at_s, note),) = again.written()
    assert at_s == pytest.approx(marks.now_s - 2.0, abs=0.002)
    assert note == "it twitched, by Anna"
    assert part(again.host.sections(), "verdict")["text"] == "0:00:05 | 12 frames"
    again.recorder.close()


def test_a_photograph_of_a_recording_lies_beside_its_marks(tmp_path: Path) -> None:
    marks = Marks(tmp_path)
    marks.host.keep_photograph("photograph-1.jpg", b"jpeg")
    assert (tmp_path / "photographs" / "photograph-1.jpg").read_bytes() == b"jpeg"
    marks.recorder.close()


def test_a_mark_that_cannot_be_written_is_not_called_made(tmp_path: Path) -> None:
    marks = Marks(tmp_path)
    marks.recorder.place.marks_file.mkdir()
    answer = marks.host.press(press("mark", marks.now_s), marks.now_s)
    assert (answer.logged, answer.text[:11]) == (False, "NOT LOGGED.")
    assert marks.n == 0
    marks.recorder.close()


def test_a_return_keeps_no_photograph() -> None:
    sweeper = LiveSweeper((), 1)
    with pytest.raises(InputError, match="a session that is kept"):
        ResyncHost(ResyncLive(sweeper, sweeper.machine), Bell()).keep_photograph("a.jpg", b"")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hopper is back in step after 7.0 s, it restarted", "hopper is back in step after 7 seconds, it restarted"),
        ("part at fault: gate-angle (96 %)", "part at fault: gate angle"),
        ("Plug harness-A (no. 4) in", "Plug harness A in"),
        ("lost for 1 min 1 s, 312 ms", "lost for 1 minute 1 second, 312 milliseconds"),
    ],
)
def test_what_is_said_has_its_signs_spelt_out(text: str, said: str) -> None:
    assert aloud(text) == said


def test_lately_on_the_page_stands_by_when_things_happened_and_as_they_are_worded_now() -> None:
    lately = Lately(Bell())
    for n, (time_ns, text) in enumerate([(30, "fan is back"), (20, "hopper fell"), (40, "lift is back")], start=1):
        lately.tell(f"{time_ns} ns", text, time_ns=time_ns, n=n)
    lately.amend({2: "hopper fell, as expected"})
    shown = [(one["n"], one["text"]) for one in lately.latest_first]
    assert shown == [(3, "lift is back"), (1, "fan is back"), (2, "hopper fell, as expected")]
