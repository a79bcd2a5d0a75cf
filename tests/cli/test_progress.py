"""How far a long reading is, and what is made of one that is ended in the middle."""

import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import busdoc
from busdoc.analysis.reading import ReadSoFar
from busdoc.capture.source import open_capture
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from busdoc.cli.progress import Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


one_process = pytest.mark.skipif(sys.platform == "win32", reason="there a signal cannot be sent to one process alone")


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Give a recording of 30,000 frames, of four controllers that each send one every four milliseconds."""
    lines = (f"({1700000000 + n * 0.001:.6f}) can0 18FF00{n % 4:02X}#{n % 256:02X}\n" for n in range(30_000))
    (tmp_path / "c.log").write_text("".join(lines), encoding="ascii", newline="\n")
    return tmp_path / "c.log"


def test_the_line_tells_how_much_is_read_and_how_long_the_rest_takes() -> None:
    terminal, clock = Terminal(), iter([0.0, 1.0, 1.0, 30.0, 30.0])
    with Progress(Surroundings(stderr=terminal, environ={}), now_s=lambda: next(clock)) as progress:
        assert not progress.add(ReadSoFar(frames=1000, share=0.05))
        assert not progress.add(ReadSoFar(frames=1_234_567, share=0.25))
    first, second = terminal.getvalue().split("\r")[1:3]
    assert first == "1,000 frames read"  # too early to tell
    assert second == "1,234,567 frames read, 25 %, about 1 min 30 s left"


def test_where_nobody_knows_the_share_the_frames_are_told() -> None:
    terminal, clock = Terminal(), iter([0.0, 9.0, 9.0])
    with Progress(Surroundings(stderr=terminal, environ={}), now_s=lambda: next(clock)) as progress:
        progress.add(ReadSoFar(frames=7, share=None))
    assert "\r7 frames read\r" in terminal.getvalue()


def test_who_waits_long_is_told_once_what_reads_faster_where_it_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    said = "Reading large captures several times as fast needs python -m pip install numba."
    for missing, times in ((True, 1), (False, 0)):
        with monkeypatch.context() as patch:
            if missing:
                patch.setitem(sys.modules, "numba", None)
            terminal, clock = Terminal(), iter([0.0, 4.0, 4.0, 6.0, 6.0, 8.0, 8.0])
            with Progress(Surroundings(stderr=terminal, environ={}), now_s=lambda now=clock: next(now)) as progress:  # type: ignore[misc]
                progress.add(ReadSoFar(frames=1, share=0.1))
                assert said not in terminal.getvalue()
                progress.add(ReadSoFar(frames=2, share=0.2))
                progress.add(ReadSoFar(frames=3, share=0.3))
        assert terminal.getvalue().count(f"{said}\n") == times


def test_the_share_that_was_read_grows_to_the_whole(recording: Path) -> None:
    capture = open_capture([recording], chunk_bytes=50_000)
    shares = [capture.share_read for _ in capture.blocks()]
    assert shares == sorted(shares, key=lambda share: share or 0.0)
    assert shares[0] is not None
    assert shares[0] < 0.3
    assert shares[-1] == 1.0


def test_a_reading_that_is_stopped_gives_what_was_found_so_far_and_says_so(recording: Path) -> None:
    seen: list[ReadSoFar] = []
    capture = open_capture([recording], block_frames=1000)
    blocks = []
    for block in capture.blocks():
        blocks.append(block)
        if len(blocks) == 7:
            capture.stop()
    assert sum(len(block) for block in blocks) == 7000
    assert "reading was stopped after 7,000 frames, " in capture.warnings[-1]
    again = capture.again()  # as the look at what came before dropouts reads
    assert sum(len(block) for block in again.blocks()) == 7000

    def stop_at_once(so_far: ReadSoFar) -> bool:
        seen.append(so_far)
        return True

    result = busdoc.postmortem(recording, progress=stop_at_once)
    assert len(seen) == 1
    assert seen[0].frames == sum(n for _, n in result.capture.channel_frames)
    assert any("reading was stopped after" in text for text in result.warnings)


def pressed_at_once(words: list[str]) -> "subprocess.CompletedProcess[str]":
    """Run a command in which Ctrl-C is pressed when the first block was read."""
    program = (
        "import os, signal, sys\n"
        "from busdoc.capture.source import Capture\n"
        "from busdoc.cli.main import run\n"
        "read = Capture.blocks\n"
        "def pressed(self):\n"
        "    for n, block in enumerate(read(self)):\n"
        "        if n == 0: os.kill(os.getpid(), signal.SIGINT)\n"
        "        yield block\n"
        "Capture.blocks = pressed\n"
        f"sys.argv = ['busdoc', *{words!r}]\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "run()"
    )
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)


@one_process
def test_ctrl_c_ends_the_reading_and_not_the_command(recording: Path) -> None:
    done = pressed_at_once(["postmortem", str(recording), "--json"])
    assert done.returncode in (0, 1), done.stderr
    assert any("reading was stopped after" in text for text in json.loads(done.stdout)["warnings"])


@one_process
def test_a_resync_that_is_stopped_says_that_it_saw_no_power_up_so_far(recording: Path) -> None:
    done = pressed_at_once(["resync", str(recording)])
    assert done.returncode == 2
    assert "none in what was read before it was stopped" in done.stderr


@one_process
def test_a_baseline_that_is_stopped_learns_nothing_and_says_so(recording: Path, tmp_path: Path) -> None:
    done = pressed_at_once(["baseline", str(recording), "-o", str(tmp_path / "machine.toml")])
    assert done.returncode == 2
    assert done.stderr == "busdoc: stopped while reading; nothing was learnt, and no map was written.\n"
    assert not (tmp_path / "machine.toml").exists()


def test_outside_its_context_ctrl_c_is_what_it_was() -> None:
    before = signal.getsignal(signal.SIGINT)
    with Progress(Surroundings(stderr=io.StringIO(), environ=os.environ), stops=True):
        pass
    assert signal.getsignal(signal.SIGINT) == before


def test_a_first_run_says_why_it_takes_longer_and_keeps_what_it_compiled(tmp_path: Path) -> None:
    source = (
        "from busdoc.kernels.telling import when_compiling\n"
        "when_compiling(print)\n"
        "import busdoc.health.streams.payload_bits_kernel as kernel\n"
        "kernel.take_bits.prepare()\n"
        "print(kernel.take_bits.is_kept())"
    )
    environment = {name: text for name, text in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    environment["BUSDOC_CACHE"] = str(tmp_path)
    command = [sys.executable, "-c", source]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "take_bits\nTrue\n"
    assert [*tmp_path.rglob("*.nbi"), *tmp_path.rglob("*.native")]


def test_compiling_is_shown_where_somebody_watches() -> None:
    terminal, clock = Terminal(), iter([0.0, 4.0, 5.0])
    with Progress(Surroundings(stderr=terminal, environ={}), now_s=lambda: next(clock)) as progress:
        progress._compiling("first")
        progress._compiling("second")
    assert "compiling kernels for this machine" in terminal.getvalue()
    assert "2 so far, 5 s" in terminal.getvalue()


@pytest.mark.parametrize("words", [["postmortem", "{recording}", "--json"], ["postmortem", "nothing.log"]])
def test_the_process_ends_with_all_that_was_written_and_its_status(words: list[str], recording: Path) -> None:
    said = io.StringIO()
    status = main([word.format(recording=recording) for word in words], Surroundings(stdout=said, environ={}))
    command = [sys.executable, "-m", "busdoc", *(word.format(recording=recording) for word in words)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == status
    assert done.stdout == said.getvalue()
