"""`busdoc record` as it is used: unattended, ended by signals, marked, gone on with, read again by the post-mortem."""

import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces import virtual

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main
from tests.capture.live_doubles import multicast_group
from tests.capture.sending_double import count_sending
from tests.capture.sent_frames import serial_frame
from tests.waiting import wait_for

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
IS_WINDOWS = sys.platform == "win32"
POSIX_ONLY = pytest.mark.skipif(IS_WINDOWS, reason="signals and pseudo-terminals are those of the other systems")
SHORT = "0.00018"  # hours: two thirds of a second


class Terminal(io.StringIO):
    """A stream that says a person watches."""

    def isatty(self) -> bool:
        return True


def run(*words: object, stderr: io.StringIO | None = None) -> tuple[int, str, str]:
    stdout, stderr = io.StringIO(), stderr or io.StringIO()
    status = main([str(word) for word in words], Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": "100"}))
    return int(status), stdout.getvalue(), stderr.getvalue()


@contextmanager
def traffic(channel: str, *, every_s: float = 0.005) -> Iterator[None]:
    """Let frames arrive on a virtual bus, whoever opens it, without sending any."""
    done = threading.Event()

    def arrive() -> None:
        n = 0
        while not done.wait(every_s):
            for queue in list(virtual.channels.get(channel, [])):
                queue.put(can.Message(arbitration_id=0x18FF0031, data=n.to_bytes(4, "little"), timestamp=time.time()))
            n += 1

    thread = threading.Thread(target=arrive)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def dropouts_across_gaps(tree: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the dropouts that lie over a gap; a busy computer's own sender may make others."""
    assert tree["controllers"]
    return [
        incident
        for incident in tree["incidents"]
        for gap in tree["capture"]["gaps"]
        if incident["kind"] != "capture-gap"
        and incident["last_seen_s"] < gap["to_s"]
        and (incident["back_s"] is None or incident["back_s"] > gap["from_s"])
    ]


def test_it_records_for_so_long_and_says_what_it_did(tmp_path: Path) -> None:
    with traffic("rec-1"):
        status, out, err = run("record", "--bus", "virtual:rec-1", "-o", tmp_path / "r", "--for", SHORT)
    assert (status, err) == (ExitStatus.HEALTHY, "")
    said = re.search(r"Recorded (\d+) frames in 0:00:\d\d to .*: 0\.0 MB in 1 file\.", out)
    assert said is not None
    assert f"busdoc postmortem {tmp_path / 'r'}" in out
    assert sorted(path.name for path in (tmp_path / "r").iterdir()) == [
        "gaps.csv",
        "notes.txt",
        "recording-0001.log.gz",
    ]
    status, out, _ = run("postmortem", tmp_path / "r", "--json")
    assert json.loads(out)["capture"]["frames"] == int(said[1]) > 0


def test_nothing_is_ever_sent_by_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = count_sending(monkeypatch)
    with traffic("rec-2"):
        run("record", "--bus", "virtual:rec-2", "-o", tmp_path / "r", "--for", SHORT)
        run("record", "mark", tmp_path / "r", "something")
        run("record", "--bus", "virtual:rec-2", "--bus", "serial:/dev/nowhere-at-all", "-o", tmp_path / "s")
    assert sent.n == 0


def test_one_file_is_written_where_one_is_named(tmp_path: Path) -> None:
    with traffic("rec-3"):
        run("record", "--bus", "virtual:rec-3", "-o", tmp_path / "day.log", "--for", SHORT)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["day.gaps.csv", "day.log", "day.notes.txt"]


def test_run_again_it_goes_on_and_the_time_between_is_nobodys_dropout(tmp_path: Path) -> None:
    with traffic("rec-4"):
        run("record", "--bus", "virtual:rec-4", "-o", tmp_path, "--for", SHORT)
        threading.Event().wait(0.3)  # so that there is a time between
        run("record", "--bus", "virtual:rec-4", "-o", tmp_path, "--for", SHORT)
    _, out, _ = run("postmortem", tmp_path, "--json")
    tree = json.loads(out)
    assert {gap["kind"] for gap in tree["capture"]["gaps"]} == {"capture-gap"}
    assert dropouts_across_gaps(tree) == []


def test_without_a_bus_the_one_that_is_configured_is_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CAN_INTERFACE", "virtual")
    monkeypatch.setenv("CAN_CHANNEL", "rec-5")
    with traffic("rec-5"):
        status, out, _ = run("record", "-o", tmp_path / "r", "--for", SHORT)
    assert status == ExitStatus.HEALTHY
    assert "Recorded" in out


def test_a_person_who_watches_sees_one_line_that_changes(tmp_path: Path) -> None:
    screen = Terminal()
    with traffic("rec-6"):
        run("record", "--bus", "virtual:rec-6", "-o", tmp_path / "r", "--for", SHORT, stderr=screen)
    text = screen.getvalue()
    assert "listening to virtual:rec-6" in text
    assert "m marks this moment, Ctrl-C ends" in text
    assert re.search(r"\r0:00:00 \| virtual:rec-6 heard \| \d+ frames", text)
    assert all(len(line) <= 100 for line in re.split(r"[\r\n]", text) if " | " in line)


class Closed(Terminal):
    """A terminal that somebody closed."""

    def write(self, text: str) -> int:
        raise OSError(5, "Input/output error")


def test_a_terminal_that_was_closed_ends_no_recording(tmp_path: Path) -> None:
    with traffic("rec-10"):
        status, out, _ = run("record", "--bus", "virtual:rec-10", "-o", tmp_path / "r", "--for", SHORT, stderr=Closed())
    assert status == ExitStatus.HEALTHY
    assert "Recorded" in out


def test_a_bus_without_a_frame_is_said_to_be_so_with_where_to_look(tmp_path: Path) -> None:
    status, out, _ = run("record", "--bus", "virtual:rec-7", "-o", tmp_path / "r", "--for", SHORT)
    assert status == ExitStatus.HEALTHY
    assert re.search(r"Not one frame was heard in 0:00:\d\d\. docs/adapters\.md says what to look at\.", out)
    assert "Look at it" not in out


def test_marks_become_a_journal_that_the_post_mortem_reads(tmp_path: Path) -> None:
    with traffic("rec-8"):
        run("record", "--bus", "virtual:rec-8", "-o", tmp_path, "--for", SHORT)
    status, out, _ = run("record", "mark", tmp_path, "brush", "stopped,", "again")
    assert (status, out) == (ExitStatus.HEALTHY, f"Marked in {tmp_path / 'marks.csv'}.\n")
    run("record", "mark", tmp_path)
    _, out, _ = run("postmortem", tmp_path, "--actions", tmp_path / "marks.csv", "--json")
    assert [(action["action"], action["uncertainty_s"]) for action in json.loads(out)["actions"]] == [("mark", 5)] * 2
    assert '"brush stopped, again"' in (tmp_path / "marks.csv").read_text(encoding="utf-8")


def test_a_mark_for_a_place_where_nothing_was_recorded_is_refused(tmp_path: Path) -> None:
    status, out, err = run("record", "mark", tmp_path, "text")
    assert (status, out) == (ExitStatus.COULD_NOT, "")
    assert "a recording of busdoc record" in err


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--rotate", "many"], 'expected a size, found "many"'),
        (["--rotate", "10"], "1 kB or more"),
        (["--keep-free", "five"], "--keep-free"),
        (["--for", "0"], "above 0"),
        (["-o", "day.log", "--rotate", "1MB"], "a folder to rotate files in"),
        (["--bus", "nobody:x"], "an interface of python-can"),
        (["--bus", "gs_usb:0"], "@250000"),
        (["--bus", "serial:/dev/nowhere-at-all"], "does not open"),
    ],
)
def test_what_cannot_be_done_gets_a_sentence(
    options: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = options if "--bus" in options else ["--bus", "virtual:rec-9", *options]
    status, out, err = run("record", *words)
    assert (status, out) == (ExitStatus.COULD_NOT, "")
    assert said in err
    assert list(tmp_path.iterdir()) == []


_running: "list[subprocess.Popen[str]]" = []


@pytest.fixture(autouse=True)
def none_left_running() -> Iterator[None]:
    yield
    while _running:
        _running.pop().kill()  # of one that has ended nothing comes of it


def start(*words: object, stdin: int | None = None, stderr: int | None = None) -> "subprocess.Popen[str]":
    process = subprocess.Popen(
        [sys.executable, "-m", "busdoc", *map(str, words)],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
    )
    _running.append(process)
    return process


def recorded(folder: Path) -> int:
    return sum(path.read_bytes().count(b"\n") for path in folder.glob("*.log"))


@POSIX_ONLY
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_signals_end_it_cleanly_with_status_0(name: str, tmp_path: Path) -> None:
    if signal.getsignal(getattr(signal, name)) is signal.SIG_IGN:
        signal.signal(getattr(signal, name), signal.SIG_DFL)  # whoever started the tests ignored it, and so would we
    group = multicast_group(5)
    process = start("record", "--bus", f"udp_multicast:{group}", "-o", tmp_path / "r")
    bus = can.Bus(interface="udp_multicast", channel=group)

    def some_came() -> bool:
        bus.send(can.Message(arbitration_id=0x18FF0031, data=b"\1"))
        return recorded(tmp_path / "r") > 20

    wait_for(some_came)
    process.send_signal(getattr(signal, name))
    out, _ = process.communicate(timeout=120)
    bus.shutdown()
    assert process.returncode == 0
    assert "Recorded" in out
    assert len(list((tmp_path / "r").glob("*.log.gz"))) == 1


@POSIX_ONLY
def test_a_serial_adapter_that_is_pulled_out_and_put_back_leaves_a_gap_and_no_dropout(tmp_path: Path) -> None:
    import pty
    import tty

    link = tmp_path / "adapter"
    ends: list[int] = []

    def plug() -> None:
        near, far = pty.openpty()
        tty.setraw(near)
        tty.setraw(far)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(far))
        ends[:] = [near, far]

    def talk() -> None:
        start_s = time.monotonic()
        while not done.wait(0.02):
            with lock:
                if ends:
                    stamp_s = time.monotonic() - start_s
                    message = can.Message(arbitration_id=0x18FF0031, data=b"\1\2", timestamp=stamp_s)
                    os.write(ends[0], serial_frame(message))

    done, lock = threading.Event(), threading.Lock()
    plug()
    process = start("record", "--bus", f"serial:{link}", "-o", tmp_path / "r", stderr=subprocess.PIPE)
    thread = threading.Thread(target=talk)
    thread.start()
    wait_for(lambda: recorded(tmp_path / "r") > 60)
    with lock:
        for end in ends:
            os.close(end)
        ends.clear()
        link.unlink()
    threading.Event().wait(0.3)  # so that it is away for a while
    before = recorded(tmp_path / "r")
    with lock:
        plug()
    wait_for(lambda: recorded(tmp_path / "r") > before + 60)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=120)
    done.set()
    thread.join()
    for end in ends:
        os.close(end)
    assert process.returncode == 0
    assert "does not answer" in err
    assert "is heard" in err
    assert re.search(r"\d gaps? in our own hearing", out)
    _, verdict, _ = run("postmortem", tmp_path / "r", "--json")
    tree = json.loads(verdict)
    assert {gap["kind"] for gap in tree["capture"]["gaps"]} == {"capture-gap"}
    assert dropouts_across_gaps(tree) == []


@POSIX_ONLY
def test_the_key_m_marks_this_moment(tmp_path: Path) -> None:
    import pty

    near, far = pty.openpty()
    process = start(
        "record", "--bus", f"udp_multicast:{multicast_group(6)}", "-o", tmp_path / "r", stdin=far, stderr=far
    )
    screen = bytearray()

    def read_screen() -> None:
        try:
            while piece := os.read(near, 4096):
                screen.extend(piece)
        except OSError:  # the other end was closed
            pass

    reader = threading.Thread(target=read_screen, daemon=True)
    reader.start()
    wait_for(lambda: b"m marks this moment" in screen)
    os.write(near, b"mm")
    wait_for(lambda: screen.count(b"marked in marks.csv") == 2)
    process.send_signal(signal.SIGTERM)
    out, _ = process.communicate(timeout=120)
    os.close(far)
    assert process.returncode == 0
    assert "2 of them made here" in out
    assert (tmp_path / "r" / "marks.csv").read_text(encoding="utf-8").count(",mark,,,5,") == 2
