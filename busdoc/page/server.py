"""The server in a thread of the session's process: what is shown goes out, presses come in, at the session's own ticks.

The session's thread never waits for the server's: at each of its steps it does what was pressed since the last, and
pins up what it shows. If it stands still, so does the page, and says so.
"""

import asyncio
import contextlib
import json
import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, TypeVar

from uvicorn import Config, Server

from busdoc.errors import InputError
from busdoc.files.whole import write_whole
from busdoc.page.app import build_app, new_run
from busdoc.page.board import Board
from busdoc.page.connections import MOST_CONNECTIONS, PATIENCE_S, GuardedConnection
from busdoc.page.entry import Entry, Role
from busdoc.page.host import Host
from busdoc.page.place import Place
from busdoc.page.press import Answer, Press

__all__ = ["KeptPage", "PageServer", "read_kept"]

_SHOW_EVERY_S = 0.2
_BEAT_EVERY_S = 0.5
_CALLS_AT_ONCE = 8
_MOST_WAITING = 64
_STARTS_WITHIN_S = 10.0
_HEADER_BYTES = 16_384
_KEPT = "page.json"
_T = TypeVar("_T")


class KeptPage:
    """What an earlier run of the session kept of its page: the port and who had joined, so that phones come back."""

    def __init__(self, port: int | None, phones: dict[str, Role]) -> None:
        self.port = port
        self.phones = phones


def read_kept(folder: Path | None) -> KeptPage:
    """Read it; nothing where there is nothing, or nothing that makes sense: phones join anew then."""
    try:
        if folder is None:
            raise OSError
        found = json.loads((folder / _KEPT).read_bytes())
        port = found["port"]
        phones = {str(digest): Role(role) for digest, role in found["phones"].items() if len(str(digest)) == 64}
        return KeptPage(port if isinstance(port, int) and 0 < port < 65536 else None, phones)
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return KeptPage(None, {})


class PageServer:
    """Serves the page of a host.

    Parameters
    ----------
    host : what is shown
    place : where; its sockets are closed with the server
    kept : what an earlier run kept
    folder : where this run keeps who has joined; None: nowhere
    clock_s : a clock that only goes on, s
    patience_s : how long a request may take to come
    """

    def __init__(
        self,
        host: Host,
        place: Place,
        *,
        kept: KeptPage | None = None,
        folder: Path | None = None,
        clock_s: Callable[[], float] = time.monotonic,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.place = place
        self.entry = Entry(clock_s, kept.phones if kept else None)
        self._host = host
        self._folder = folder
        self._clock_s = clock_s
        self._ahead_s = time.time() - clock_s()
        self._board = Board()
        self._calls: queue.Queue[tuple[Callable[[], Any], Future[Any]]] = queue.Queue(_MOST_WAITING)
        self._shown_s = self._beat_s = float("-inf")
        self._n_shown_to = 0
        self._is_over = False
        app = build_app(
            self._board,
            self.entry,
            place,
            call=self._pressed,
            keep=self._kept_photograph,
            server_s=self.server_s,
            run=new_run(),
            joined=self._keep_phones,
            patience_s=patience_s,
        )
        config = Config(
            app,
            http=type("Connection", (GuardedConnection,), {"patience_s": patience_s}),
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=_HEADER_BYTES,
            limit_concurrency=2 * MOST_CONNECTIONS,
            ssl_certfile=place.certificate,
            ssl_keyfile=place.key,
        )
        self._server = Server(config)
        self._thread = threading.Thread(target=self._serve, name="page", daemon=True)
        self._began = threading.Event()
        self._failed: BaseException | None = None

    def server_s(self) -> float:
        """Give the server's clock: Unix time as it was when the server began, and going on evenly from there."""
        return self._clock_s() + self._ahead_s

    def start(self) -> None:
        """Begin to serve.

        Raises
        ------
        InputError : it cannot
        """
        logger = logging.getLogger("uvicorn")
        logger.addHandler(logging.NullHandler())  # a refused request is nobody's news on the screen
        logger.propagate = False
        self._thread.start()
        if not self._began.wait(_STARTS_WITHIN_S) or self._failed is not None:
            raise InputError("--page", "a server that begins", str(self._failed or "none"), "Leave --page out.")
        self._keep_phones()

    def tick(self) -> None:
        """Do what was pressed, and pin up what is shown; called at each step of what is served, in its thread."""
        now_s = self._clock_s()
        for _ in range(_CALLS_AT_ONCE):
            try:
                do, answer = self._calls.get_nowait()
            except queue.Empty:
                break
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                answer.set_result(do())
            except BaseException as error:
                answer.set_exception(error)
                if not isinstance(error, Exception):
                    raise
            self._shown_s = float("-inf")  # who pressed sees what it did
        n = self._board.n_readers
        if not n:
            self._n_shown_to = 0
            return
        if n != self._n_shown_to or now_s - self._shown_s >= _SHOW_EVERY_S or self._host.hear():
            self._n_shown_to, self._shown_s = n, now_s
            self._board.pin(self._host.sections())
        if now_s - self._beat_s >= _BEAT_EVERY_S:
            self._beat_s = now_s
            self._board.pin({"beat": round(self.server_s() * 1000)})

    def stop(self) -> None:
        """End; whoever still looks is told so by the end of the line."""
        if self._is_over:
            return
        self._is_over = True
        while True:
            try:
                _, answer = self._calls.get_nowait()
            except queue.Empty:
                break
            answer.cancel()
        loop = self._board.loop
        self._board.pin({"ended": True})
        if loop is not None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._board.dismiss_all)
        self._server.should_exit = True
        self._thread.join(_STARTS_WITHIN_S)
        for one in self.place.sockets:
            one.close()

    # In the server's thread

    def _serve(self) -> None:
        try:
            asyncio.run(self._run())
        except BaseException as error:  # told by whoever starts it
            self._failed = error
        finally:
            self._began.set()

    async def _run(self) -> None:
        self._board.serve_in(asyncio.get_running_loop())
        began = asyncio.create_task(self._say_when_begun())
        await self._server.serve(sockets=list(self.place.sockets))
        began.cancel()

    async def _say_when_begun(self) -> None:
        while not self._server.started:
            await asyncio.sleep(0.005)
        self._began.set()

    async def _pressed(self, press: Press) -> Answer:
        return await self._in_session(lambda: self._host.press(press, self.server_s()))

    async def _kept_photograph(self, name: str, data: bytes) -> None:
        await self._in_session(lambda: self._host.keep_photograph(name, data))

    async def _in_session(self, do: Callable[[], _T]) -> _T:
        """Have something done at the session's next step.

        Raises
        ------
        TimeoutError : so much waits already that it will not be soon
        """
        answer: Future[_T] = Future()
        try:
            self._calls.put_nowait((do, answer))
        except queue.Full:
            raise TimeoutError from None
        return await asyncio.wrap_future(answer)

    def _keep_phones(self) -> None:
        """Keep who has joined; where it cannot be, phones join anew after the next start."""
        if self._folder is None:
            return
        body = json.dumps({"port": self.place.port, "phones": self.entry.kept()}, indent=1).encode()
        with contextlib.suppress(OSError):
            write_whole(self._folder / _KEPT, body, mode=0o600)
