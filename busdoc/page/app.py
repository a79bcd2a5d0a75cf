"""The few things that can be asked for: the page's own files, to be let in, what is shown, the time, and to press.

Nothing here reaches a bus, names a file or runs a command; what is pressed goes to the session's thread, which judges
it.
"""

import asyncio
import json
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import replace
from importlib import resources

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from busdoc.errors import BusdocError, InputError
from busdoc.files.photograph import MOST_BYTES, upright_jpeg
from busdoc.page.board import Board, Reader
from busdoc.page.entry import Entry, MustWait, Phone, Role
from busdoc.page.guard import App, Guard
from busdoc.page.pace import Pace
from busdoc.page.place import Place
from busdoc.page.press import Answer, Press, read_press

__all__ = ["build_app", "new_run"]

_FILES = {
    "/": ("page.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/line.js": ("line.js", "text/javascript; charset=utf-8"),
    "/sound.js": ("sound.js", "text/javascript; charset=utf-8"),
    "/draw.js": ("draw.js", "text/javascript; charset=utf-8"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
    "/page.webmanifest": ("page.webmanifest", "application/manifest+json"),
}
"""All files that there are, by their paths: none is looked for on the disk by what a request says."""
_MOST_READERS = 24
_MOST_OF_ONE_PHONE = 2
_STILL_S = 10.0
_STUCK_S = 10.0
_COOKIE_S = 86_400


def build_app(
    board: Board,
    entry: Entry,
    place: Place,
    *,
    call: Callable[[Press], Awaitable[Answer]],
    keep: Callable[[str, bytes], Awaitable[None]],
    server_s: Callable[[], float],
    run: str,
    joined: Callable[[], None],
    patience_s: float,
) -> App:
    """Put the application together.

    Parameters
    ----------
    board : what is shown
    entry : who may see it
    call : has a press done in the session's thread
    keep : has a photograph kept there, under a name
    server_s : the server's clock
    run : marks this run of the server
    joined : called when a phone was let in
    patience_s : how long a request may take to come
    """
    served = _Served(board, entry, place, call, keep, server_s, run, joined)
    routes = [Route(path, served.file, methods=["GET"]) for path in _FILES]
    routes += [
        Route("/join", served.join, methods=["POST"]),
        Route("/events", served.events, methods=["GET"]),
        Route("/clock", served.clock, methods=["GET"]),
        Route("/press", served.press, methods=["POST"]),
        Route("/photograph", served.photograph, methods=["POST"]),
    ]
    hosts = [f"{name}:{place.port}" for name in place.names]
    return Guard(
        Starlette(routes=routes),
        hosts=hosts,
        origins=[f"{place.scheme}://{host}" for host in hosts],
        open_paths=_FILES,
        large={"/photograph": MOST_BYTES},
        patience_s=patience_s,
    )


class _Served:
    """What is answered."""

    def __init__(
        self,
        board: Board,
        entry: Entry,
        place: Place,
        call: Callable[[Press], Awaitable[Answer]],
        keep: Callable[[str, bytes], Awaitable[None]],
        server_s: Callable[[], float],
        run: str,
        joined: Callable[[], None],
    ) -> None:
        folder = resources.files("busdoc.page") / "static"
        self._files = {path: ((folder / name).read_bytes(), kind) for path, (name, kind) in _FILES.items()}
        self._board, self._entry, self._place = board, entry, place
        self._call, self._keep, self._server_s, self._run, self._joined = call, keep, server_s, run, joined
        self._cookie = f"busdoc-{place.port}"
        self._n_readers = 0
        self._presses, self._pictures = Pace(most=20, within_s=10.0), Pace(most=6, within_s=60.0)

    async def file(self, request: Request) -> Response:
        """Give one of the page's own files."""
        data, kind = self._files[request.url.path]
        return Response(data, media_type=kind)

    async def join(self, request: Request) -> Response:
        """Take the secret of a link for a cookie."""
        try:
            given = json.loads(await request.body())
            secret = given["secret"]
            if not isinstance(secret, str):
                raise TypeError
        except (ValueError, KeyError, TypeError, RecursionError):
            return _said("no secret", 400)
        try:
            found = self._entry.join(secret, request.client.host if request.client else "")
        except MustWait as wait:
            whole = str(int(wait.wait_s) + 1)
            return _said(f"too many wrong codes from this phone: wait {whole} s", 429, {"retry-after": whole})
        if found is None:
            return _said("this code is not that of the session: scan the one on the laptop", 401)
        token, phone = found
        self._joined()
        response = JSONResponse(self._hello(phone))
        response.set_cookie(
            self._cookie,
            token,
            max_age=_COOKIE_S,
            path="/",
            httponly=True,
            samesite="strict",
            secure=self._place.scheme == "https",
        )
        return response

    async def clock(self, request: Request) -> Response:
        """Give the time, for the phone to measure its own clock by, and what this phone may do."""
        phone = self._phone(request)
        if phone is None:
            return _said("not let in", 401)
        return JSONResponse(self._hello(phone))

    async def events(self, request: Request) -> Response:
        """Send what is shown, and then whatever changes (HTML standard, "Server-sent events")."""
        phone = self._phone(request)
        if phone is None:
            return _said("not let in", 401)
        own = list(self._board.readers_of(phone.name))
        for old in own[: max(0, len(own) - _MOST_OF_ONE_PHONE + 1)]:
            old.dismiss()  # a page that was left without a word holds its line still
        if self._board.n_readers >= _MOST_READERS:
            return _said("too many pages are open", 503)
        self._n_readers += 1
        reader = Reader(phone.name, self._n_readers)
        self._board.enter(reader)
        return _Stream(self._shown_to(reader, phone), self._board, reader)

    async def _shown_to(self, reader: Reader, phone: Phone) -> AsyncIterator[bytes]:
        yield _event("hello", json.dumps(self._hello(phone)).encode())
        while True:
            is_last = reader.dismissed
            reader.wake.clear()
            reader.version, parts = self._board.newer_than(reader.version)
            if parts:
                yield b"".join(_event(name, data) for name, data in parts)
            if is_last:
                return
            try:
                async with asyncio.timeout(_STILL_S):
                    await reader.wake.wait()
            except TimeoutError:
                yield b":\n\n"  # so that a line that is dead is found out

    async def press(self, request: Request) -> Response:
        """Have something done."""
        phone = self._phone(request)
        if phone is None:
            return _said("not let in", 401)
        if phone.role is not Role.LOG:
            return _said("this link only shows", 403)
        if not self._presses.allows(phone.name, self._server_s()):
            return _said("too many presses", 429, {"retry-after": "2"})
        try:
            press = replace(read_press(await request.body()), phone=phone.name)
        except InputError as error:
            return _said(str(error), 400)
        try:
            async with asyncio.timeout(_STUCK_S):
                answer = await self._call(press)
        except TimeoutError:
            return _said("the session does not answer", 503)
        said = {"text": answer.text, "tone": str(answer.tone), "logged": answer.logged, "awaits": answer.awaits}
        return JSONResponse({**said, "n": answer.n, "mark": press.mark})

    async def photograph(self, request: Request) -> Response:
        """Keep a photograph; a press names it afterwards."""
        phone = self._phone(request)
        if phone is None:
            return _said("not let in", 401)
        if phone.role is not Role.LOG:
            return _said("this link only shows", 403)
        if not self._pictures.allows(phone.name, self._server_s()):
            return _said("too many photographs", 429, {"retry-after": "20"})
        mark = request.query_params.get("mark", "")
        if len(mark) != 32 or not all(letter in "0123456789abcdef" for letter in mark):
            return _said("no mark", 400)
        name = f"photograph-{mark[:12]}.jpg"
        data = await request.body()
        try:
            small, _, _ = await asyncio.to_thread(upright_jpeg, data)
            async with asyncio.timeout(_STUCK_S):
                await self._keep(name, small)
        except TimeoutError:
            return _said("the session does not answer", 503)
        except BusdocError as error:
            return _said(str(error), 422)
        return JSONResponse({"name": name})

    def _phone(self, request: Request) -> Phone | None:
        return self._entry.phone(request.cookies.get(self._cookie))

    def _hello(self, phone: Phone) -> Mapping[str, object]:
        return {"time": self._server_s() * 1000.0, "logs": phone.role is Role.LOG, "run": self._run}


class _Stream(StreamingResponse):
    """Sends events until the reader goes or is dismissed; who does not take them for a while is gone."""

    def __init__(self, events: AsyncIterator[bytes], board: Board, reader: Reader) -> None:
        super().__init__(events, media_type="text/event-stream", headers={"x-accel-buffering": "no"})
        self._board, self._reader = board, reader

    async def __call__(self, scope, receive, send) -> None:  # type: ignore[no-untyped-def]  # as starlette has it
        """Send them."""

        async def in_time(message) -> None:  # type: ignore[no-untyped-def]
            async with asyncio.timeout(_STUCK_S):
                await send(message)

        try:
            await super().__call__(scope, receive, in_time)
        except* (TimeoutError, asyncio.CancelledError):
            pass
        finally:
            self._board.leave(self._reader)


def new_run() -> str:
    """Mark a run of the server."""
    return secrets.token_hex(8)


def _event(name: str, data: bytes) -> bytes:
    return b"event: " + name.encode() + b"\ndata: " + data + b"\n\n"


def _said(text: str, status: int, headers: Mapping[str, str] | None = None) -> Response:
    return JSONResponse({"text": text}, status_code=status, headers=dict(headers or {}))
