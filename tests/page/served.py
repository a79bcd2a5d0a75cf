"""A live session on a machine in software with its page served on the loopback, stepped by hand."""

import http.client
import json
import secrets
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from busdoc.live.session import LiveSession
from busdoc.page.entry import Role
from busdoc.page.hosts.isolate import IsolateHost
from busdoc.page.place import bind
from busdoc.page.server import PageServer, read_kept
from busdoc.session.folder import SessionFolder
from busdoc.simulation.world import Fault
from tests.screen.live_sweeper import LiveSweeper

__all__ = ["Phone", "Served", "served"]

_ENOUGH_S = 20.0
_STEP_S = 0.5


class Served:
    """The session, its machine and its page."""

    def __init__(self, sweeper: LiveSweeper, session: LiveSession, host: IsolateHost, server: PageServer) -> None:
        self.sweeper, self.session, self.host, self.server = sweeper, session, host, server
        self.address = f"127.0.0.1:{server.place.port}"

    def run(self, seconds: float) -> None:
        """Let the machine go on, and the session with it."""
        for _ in range(round(seconds / _STEP_S)):
            self.sweeper.wait(_STEP_S)
            self.session.step()

    def phone(self, role: Role = Role.LOG, *, trusted: ssl.SSLContext | None = None) -> "Phone":
        """Let a phone in."""
        phone = Phone(self, trusted=trusted)
        status, _ = phone.ask("POST", "/join", {"secret": self.server.entry.secret(role)})
        assert status == 200
        return phone


class Phone:
    """A phone that speaks HTTP and has no page."""

    def __init__(self, served: Served, *, by: str = "", trusted: ssl.SSLContext | None = None) -> None:
        self.served, self.cookie, self.by, self.trusted = served, "", by, trusted

    def ask(
        self,
        method: str,
        path: str,
        body: object = None,
        *,
        headers: Mapping[str, str | None] | None = None,
        raw: bytes | None = None,
    ) -> tuple[int, Any]:
        """Ask for something, while the session goes on stepping."""
        data = raw if raw is not None else None if body is None else json.dumps(body).encode()
        given: dict[str, str | None] = {"Host": self.served.address, "Cookie": self.cookie or None}
        if method == "POST":
            given |= {
                "Origin": f"{self.served.server.place.scheme}://{self.served.address}",
                "Content-Type": "application/json",
            }
        given |= dict(headers or {})
        found: list[tuple[int, bytes, str | None]] = []

        def run() -> None:
            line = http.client.HTTPConnection(self.served.address, timeout=_ENOUGH_S)
            if self.trusted is not None:
                line = http.client.HTTPSConnection(self.served.address, timeout=_ENOUGH_S, context=self.trusted)
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in given.items():
                if value is not None:
                    line.putheader(name, value)
            if data is not None:
                line.putheader("Content-Length", str(len(data)))
            line.endheaders(data)
            answer = line.getresponse()
            found.append((answer.status, answer.read(), answer.getheader("set-cookie")))
            line.close()

        asking = threading.Thread(target=run)
        asking.start()
        until_s = time.monotonic() + _ENOUGH_S
        while asking.is_alive() and time.monotonic() < until_s:
            self.served.session.step()
            asking.join(0.002)
        status, answered, cookie = found[0]
        if cookie:
            self.cookie = cookie.partition(";")[0]
        try:
            return status, json.loads(answered)
        except ValueError:
            return status, answered.decode("utf-8", "replace")

    def now_ms(self) -> float:
        """Give the server's clock, as a phone that has measured it knows it."""
        return self.served.server.server_s() * 1000.0

    def press(self, what: str, *, ago_s: float = 0.0, cut_s: float = 0.0, since_s: float = 30.0, **more: Any) -> Any:
        """Press something; gives the answer.

        Parameters
        ----------
        ago_s : so long before now
        cut_s : the last news that it had then was so old
        since_s : what was pressed for had been shown so long then
        """
        return self.send(self.pressed(what, ago_s=ago_s, cut_s=cut_s, since_s=since_s, **more))

    def pressed(self, what: str, *, ago_s: float = 0.0, cut_s: float = 0.0, since_s: float = 30.0, **more: Any) -> Any:
        at = self.now_ms() - ago_s * 1000
        times = {"at": at, "seen": at - cut_s * 1000, "since": at - since_s * 1000}
        return {"mark": secrets.token_hex(16), "what": what, "by": self.by, **times, **more}

    def send(self, press: object) -> Any:
        status, answer = self.ask("POST", "/press", press)
        assert status == 200, answer
        return answer

    @contextmanager
    def looking(self) -> Iterator[Callable[[str], Any]]:
        """Open the line on which all that is shown comes; gives what waits for a part and gives it."""
        line = socket.create_connection(("127.0.0.1", self.served.server.place.port), timeout=_ENOUGH_S)
        request = f"GET /events HTTP/1.1\r\nHost: {self.served.address}\r\nCookie: {self.cookie}\r\n\r\n"
        line.sendall(request.encode())
        line.settimeout(0.01)
        heard = bytearray()

        def part(name: str) -> Any:
            until_s = time.monotonic() + _ENOUGH_S
            mark = f"event: {name}\ndata: ".encode()
            while True:
                at = heard.find(mark)
                end = heard.find(b"\n\n", at)
                if at >= 0 and end >= 0:
                    found = json.loads(heard[at + len(mark) : end])
                    del heard[: end + 2]
                    return found
                assert time.monotonic() < until_s, f"no {name} came: {bytes(heard[-300:])!r}"
                self.served.session.step()
                try:
                    heard.extend(line.recv(1 << 16))
                except TimeoutError:
                    continue

        try:
            yield part
        finally:
            line.close()


@contextmanager
def served(
    folder: Path | None = None,
    *,
    faults: Sequence[Fault] = (),
    seconds: float = 3.0,
    sweeper: LiveSweeper | None = None,
    patience_s: float = 10.0,
    certificate: Path | None = None,
    key: Path | None = None,
) -> Iterator[Served]:
    """Serve the page of a sweeper.

    Parameters
    ----------
    faults : what is wrong with it
    seconds : for which it is heard before
    sweeper : one that runs already
    """
    sweeper = sweeper or LiveSweeper(faults, 1)
    kept = read_kept(folder)
    kept_in = None if folder is None else SessionFolder(folder)
    session = LiveSession(sweeper, sweeper.machine, folder=kept_in, clock_s=lambda: sweeper.world.now_s)
    session.start()
    host = IsolateHost(session)
    server = PageServer(
        host, bind(None, kept.port or 0, certificate, key), kept=kept, folder=folder, patience_s=patience_s
    )
    server.start()
    session.followers.append(server.tick)
    found = Served(sweeper, session, host, server)
    try:
        found.run(seconds)
        yield found
    finally:
        server.stop()
        session.close()
