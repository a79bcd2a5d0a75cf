"""What every request must pass before anybody looks at it, and what every answer carries.

A page of another site that the same browser has open can send requests here, and can have its own name lead here (DNS
rebinding): so the name asked for, and the page that asks, are compared with our own (OWASP, "Cross-Site Request Forgery
Prevention"; Fetch, "Origin" and "Sec-Fetch-Site").
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any, TypeAlias

from starlette.exceptions import HTTPException

__all__ = ["SMALL_BODY", "Guard"]

Scope: TypeAlias = MutableMapping[str, Any]
Message: TypeAlias = MutableMapping[str, Any]
Receive: TypeAlias = Callable[[], Awaitable[Message]]
Send: TypeAlias = Callable[[Message], Awaitable[None]]
App: TypeAlias = Callable[[Scope, Receive, Send], Awaitable[None]]

SMALL_BODY = 8_192
_LARGE_TAKES = 6
"""So many times longer a photograph may take."""
_CLOSE = {"connection": "close"}
_MOST_HEADERS = 64
_MOST_PATH = 200
_CONTENT = {"application/json", "image/jpeg"}
_CARRIED = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        b"manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), microphone=(), payment=(), usb=()"),
    (b"cache-control", b"no-store"),
)


class Guard:
    """Wraps the application.

    Parameters
    ----------
    app : what is guarded
    hosts : `name:port` under which it may be asked for
    origins : the pages that may send
    open_paths : what anybody may fetch: the page itself, which holds nothing
    large : paths whose body may be larger, with how many bytes
    patience_s : how long a body may take
    """

    def __init__(
        self,
        app: App,
        *,
        hosts: Iterable[str],
        origins: Iterable[str],
        open_paths: Iterable[str],
        large: MutableMapping[str, int],
        patience_s: float,
    ) -> None:
        self._app = app
        self._hosts = frozenset(host.lower().encode() for host in hosts)
        self._origins = frozenset(origin.lower().encode() for origin in origins)
        self._open = frozenset(open_paths)
        self._large = dict(large)
        self._patience_s = patience_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] != "http":
            return
        refused = self._refused(scope)
        if refused is not None:
            await _refuse(send, *refused)
            return

        async def carried(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *_CARRIED]}
            await send(message)

        most = self._large.get(scope["path"], SMALL_BODY)
        within_s = self._patience_s * (1 if most == SMALL_BODY else _LARGE_TAKES)
        await self._app(scope, _Measured(receive, most, within_s), carried)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        """Say why a request is refused; None: it is not."""
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value.strip())
        if len(scope["headers"]) > _MOST_HEADERS or len(scope["path"]) > _MOST_PATH:
            return 431, "too many headers"
        if scope["method"] not in ("GET", "POST"):
            return 405, "only GET and POST"
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return 421, "not asked for under a name of ours"
        origins = headers.get(b"origin", [])
        if any(origin.lower() not in self._origins for origin in origins) or len(origins) > 1:
            return 403, "asked for by another page"
        if scope["method"] == "POST" and not origins:
            return 403, "no page says that it asks"
        site = headers.get(b"sec-fetch-site", [b"same-origin"])
        if scope["path"] not in self._open and site != [b"same-origin"]:
            return 403, "asked for by another site"
        if scope["method"] == "POST":
            kinds = headers.get(b"content-type", [])
            if len(kinds) != 1 or kinds[0].split(b";")[0].strip().decode("latin-1").lower() not in _CONTENT:
                return 415, "neither JSON nor a photograph"
            length = headers.get(b"content-length", [b"0"])[0]
            most = self._large.get(scope["path"], SMALL_BODY)
            if not length.isdigit() or len(length) > 12 or int(length) > most:
                return 413, "too much"
        return None


class _Measured:
    """Hands a body on, as long as it is neither too long nor too slow."""

    def __init__(self, receive: Receive, most: int, within_s: float) -> None:
        self._receive = receive
        self._left = most
        self._until_s = asyncio.get_running_loop().time() + within_s
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()  # that it has gone; this may take as long as the answer lasts
        try:
            async with asyncio.timeout_at(self._until_s):
                message = await self._receive()
        except TimeoutError:
            raise HTTPException(408, "too slow", _CLOSE) from None
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            if self._left < 0:
                raise HTTPException(413, "too much", _CLOSE)
            self._whole = not message.get("more_body", False)
        return message


async def _refuse(send: Send, status: int, why: str) -> None:
    body = why.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
        *_CARRIED,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
