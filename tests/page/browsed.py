"""A page in a real browser, of the size of a phone, on a session that runs by itself; the line between can be cut."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from busdoc.errors import InputError
from busdoc.live.session import LiveSession
from busdoc.page.entry import Role
from busdoc.page.hosts.isolate import IsolateHost
from busdoc.page.place import Place, bind
from busdoc.page.server import PageServer, read_kept
from busdoc.screen.key_handling import ScreenState
from busdoc.session.folder import SessionFolder
from busdoc.simulation.world import Fault
from tests.screen.live_sweeper import LiveSweeper

__all__ = ["Line", "Running", "browser", "running", "until"]

_TICK_S = 0.05
_PIECE = 1 << 16


class Line:
    """A wire between browser and server that can be cut, and that can lose what the server answers."""

    def __init__(self, to_port: int, port: int) -> None:
        self._to_port = to_port
        self._door = socket.create_server(("127.0.0.1", port))
        self.port: int = self._door.getsockname()[1]
        self.is_cut = False
        self.loses_answers = False
        self.n_asked = 0
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Cut it: what is open is closed, and nothing gets through."""
        self.is_cut = True
        self._close_open()

    def mend(self) -> None:
        """Let everything through again; lines on which an answer was lost are closed."""
        was_losing, self.loses_answers, self.is_cut = self.loses_answers, False, False
        if was_losing:
            self._close_open()

    def close(self) -> None:
        """End."""
        self.cut()
        self._door.close()

    def _close_open(self) -> None:
        for one in self._open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._open.clear()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._door.accept()
                if self.is_cut:
                    here.close()
                    continue
                there = socket.create_connection(("127.0.0.1", self._to_port))
                self._open += [here, there]
                threading.Thread(target=self._carry, args=(here, there, False), daemon=True).start()
                threading.Thread(target=self._carry, args=(there, here, True), daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket, answers: bool) -> None:
        with contextlib.suppress(OSError):
            while piece := source.recv(_PIECE):
                if not answers and piece.startswith(b"POST /press"):
                    self.n_asked += 1
                if not (answers and self.loses_answers):
                    target.sendall(piece)
        for one in (source, target):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class Running:
    """A session with its screen, stepped by a thread at the pace of the clock."""

    def __init__(self, folder: Path | None, faults: Sequence[Fault], sweeper: LiveSweeper | None = None) -> None:
        self.sweeper = sweeper or LiveSweeper(faults, 1)
        kept = read_kept(folder)
        kept_in = None if folder is None else SessionFolder(folder)
        self.session = LiveSession(self.sweeper, self.sweeper.machine, folder=kept_in)
        self.session.start()
        place = bind(None, 0)
        self.line = Line(place.port, kept.port or 0)
        self.place: Place = replace(place, port=self.line.port)
        self.server = PageServer(IsolateHost(self.session), self.place, kept=kept, folder=folder)
        self.server.start()
        self.session.followers.append(self.server.tick)
        self.screen = ScreenState(self.session, quiet=True)
        self.lock = threading.Lock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def link(self, role: Role = Role.LOG) -> str:
        """Give the link of the code."""
        return self.place.link(self.server.entry.secret(role))

    def stop(self) -> None:
        """End the session and its page."""
        self._ending.set()
        self._thread.join()
        self.server.stop()
        self.session.close()
        self.line.close()

    def _run(self) -> None:
        before_s = time.monotonic()
        while not self._ending.wait(_TICK_S):
            now_s = time.monotonic()
            with self.lock:
                self.sweeper.wait(now_s - before_s)
                with contextlib.suppress(InputError):
                    self.screen.tick()
            before_s = now_s


@contextmanager
def running(folder: Path | None = None, faults: Sequence[Fault] = ()) -> Iterator[Running]:
    """Run a session with its page."""
    found = Running(folder, faults)
    try:
        yield found
    finally:
        found.stop()


@contextmanager
def browser(
    width: int = 360, height: int = 740, *, ahead_s: float = 0.0, dark: bool = False, scale: float = 1.0
) -> Iterator[Any]:
    """Open a browser.

    Parameters
    ----------
    ahead_s : how far its clock is ahead
    """
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for word in ("headless=new", "no-sandbox", "disable-gpu", "disable-dev-shm-usage", "lang=en"):
        options.add_argument(f"--{word}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    metrics = {"width": width, "height": height, "pixelRatio": scale}
    options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
    spoken = (
        "window.spoken = []; window.addEventListener('DOMContentLoaded', () => {"
        "speechSynthesis.speak = (said) => {"
        " window.spoken.push(said.text); setTimeout(() => said.onend?.(), 50); }; });"
    )
    shift = f"(() => {{ const now = Date.now; Date.now = () => now() + {ahead_s * 1000}; }})();" if ahead_s else ""
    driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": shift + spoken})
    try:
        yield driver
    finally:
        driver.quit()


def until(happened: Callable[[], Any], what: str, given_up_s: float = 60.0) -> Any:
    """Wait until something is true; gives it."""
    until_s = time.monotonic() + given_up_s
    while True:
        with contextlib.suppress(Exception):  # the page is being drawn anew
            if found := happened():
                return found
        assert time.monotonic() < until_s, f"it did not happen: {what}"
        threading.Event().wait(0.02)
