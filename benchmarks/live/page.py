"""The page on the phone at full load: how soon a loss is on it, against the screen, and what ten open pages cost.

`busdoc isolate --page` runs on two full buses of `senders` with its real screen, as in `benchmarks.live.load`. One more
controller sends every 50 ms and falls silent again and again; timed is when its loss is written to the terminal, and
when it comes in on the line to the first page, so that the page's own drawing and a radio are not in it. Then the
processor time of the session is taken with no page open and with ten, in turn.

    python -m benchmarks.live.page [--frames 16000] [--falls 8] [--turns 3] [--seconds 10]
    python -m benchmarks.live.page --alone [--seconds 10]
"""

import argparse
import http.client
import json
import os
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from benchmarks.live.load import GROUPS, on_a_terminal
from benchmarks.live.senders import FRAMES_PER_S, Senders

_PORT = 8791
_PAGES = 10
_IDENTIFIER = 0x18FEF142
_PERIOD_S = 0.05
_LOST = "LOST"


class Page:
    """An open page: it reads all that comes, and notes when something that is waited for comes in."""

    def __init__(self, cookie: str) -> None:
        self._line = socket.create_connection(("127.0.0.1", _PORT))
        request = f"GET /events HTTP/1.1\r\nHost: localhost:{_PORT}\r\nCookie: {cookie}\r\n\r\n"
        self._line.sendall(request.encode())
        self.came: list[float] = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        rest = b""
        while piece := self._line.recv(1 << 16):
            rest += piece
            *whole, rest = rest.split(b"\n\n")
            if any(b"event: roll\n" in one and b'"LOST"' in one for one in whole):
                self.came.append(time.monotonic())

    def close(self) -> None:
        """Close it."""
        self._line.shutdown(socket.SHUT_RDWR)
        self._line.close()


class Controller:
    """One controller that can be silenced."""

    def __init__(self) -> None:
        self.sends = True
        self.last_s = 0.0
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        import can

        bus = can.Bus(interface="udp_multicast", channel=GROUPS[0])
        due_s = time.monotonic()
        while True:
            due_s += _PERIOD_S
            time.sleep(max(0.0, due_s - time.monotonic()))
            if self.sends:
                bus.send(can.Message(arbitration_id=_IDENTIFIER, data=bytes(8)))
                self.last_s = time.monotonic()


def joined(link: str) -> str:
    """Exchange a link for a cookie."""
    line = http.client.HTTPConnection(f"localhost:{_PORT}")
    headers = {"Origin": f"http://localhost:{_PORT}", "Content-Type": "application/json"}
    line.request("POST", "/join", json.dumps({"secret": link.partition("#")[2]}), headers)
    answer = line.getresponse()
    answer.read()
    return str(answer.getheader("set-cookie")).partition(";")[0]


def used_s(pid: int) -> float:
    """Give a process's processor time, as Linux' /proc has it."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def waited(since_s: float, came: list[float], seconds: float) -> float | None:
    """Wait until something came after an instant; give how long after; None: it did not."""
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        after = [at_s for at_s in came if at_s > since_s]
        if after:
            return after[0] - since_s
        time.sleep(0.005)
    return None


def shown(seen: bytearray, pattern: str) -> str:
    """Wait until a text stands on the screen; give it."""
    until_s = time.monotonic() + 60.0
    while time.monotonic() < until_s:
        text = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", bytes(seen)).decode("utf-8", "replace")
        found = re.search(pattern, text)
        if found is not None:
            return found.group()
        time.sleep(0.05)
    raise SystemExit(f"the screen did not show {pattern}")


def alone(seconds: float) -> None:
    """Print what the pages cost by themselves: a session that stands still is shown at the pace of the screen's ticks.

    Processor time of this process alone is taken, while the pages are read by another; a busy machine makes it no more.
    """
    from busdoc.live.session import LiveSession
    from busdoc.machine.machine_map import load_machine
    from busdoc.page.entry import Role
    from busdoc.page.hosts.isolate import IsolateHost
    from busdoc.page.place import bind
    from busdoc.page.server import PageServer
    from tests.truth.scripted_bus import ScriptedBus

    now_s = [0.0]
    bus = ScriptedBus()
    machine = load_machine(Path(__file__).parents[2] / "captures" / "street_sweeper" / "machine.toml")
    session = LiveSession(bus, machine, clock_s=lambda: now_s[0])
    session.start()
    server = PageServer(IsolateHost(session, clock_s=lambda: now_s[0]), bind(None, _PORT), clock_s=lambda: now_s[0])
    server.start()
    cookies = []
    for _ in range(_PAGES):
        found = server.entry.join(server.entry.secret(Role.VIEW), "127.0.0.1")
        assert found is not None
        cookies.append(f"busdoc-{_PORT}={found[0]}")
    for n in (0, 1, _PAGES):
        code = f"from benchmarks.live.page import Page; import sys; pages = [Page(one) for one in {cookies[:n]!r}]"
        reader = subprocess.Popen([sys.executable, "-c", f"{code}; sys.stdin.read()"], stdin=subprocess.PIPE)
        until_s = time.monotonic() + 20
        while server._board.n_readers < n and time.monotonic() < until_s:
            server.tick()
            time.sleep(0.02)
        ticks = round(seconds / 0.05)
        before_s = time.process_time()
        for _ in range(ticks):
            now_s[0] += 0.05
            bus.clock_ns += 50_000_000
            session.step()
            server.tick()
            time.sleep(0.004)
        assert server._board.n_readers == n
        print(f"{n:2} pages: {(time.process_time() - before_s) / seconds:.2%} of a core, session included")
        reader.kill()
        reader.wait()
        while server._board.n_readers:
            time.sleep(0.02)
    server.stop()
    os._exit(0)


def main() -> None:
    """Run it, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=float, default=FRAMES_PER_S)
    parser.add_argument("--falls", type=int, default=8)
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--alone", action="store_true", help="only what the pages cost, without load and screen")
    given = parser.parse_args()
    if given.alone:
        alone(given.seconds)
    drawn: list[float] = []
    seen = bytearray()

    def hear(piece: bytes) -> None:
        seen.extend(piece)
        if _LOST.encode() in piece:
            drawn.append(time.monotonic())

    with tempfile.TemporaryDirectory(prefix="live-page-") as scratch:
        options = [word for group in GROUPS for word in ("--bus", f"udp_multicast:{group}")]
        words = ["isolate", *options, "--session", f"{scratch}/session", "--quiet", "--page", "--page-port", str(_PORT)]
        screen, keyboard = on_a_terminal([sys.executable, "-m", "busdoc", *words], hear)
        longest_s = 30 + given.falls * 12 + given.turns * 2 * (given.seconds + 1)
        try:
            shown(seen, "I have read this")
            os.write(keyboard, b" ")  # the cautions are read
            shown(seen, "step done")
            os.write(keyboard, b"P")
            link = shown(seen, rf"http://localhost:{_PORT}/#[\w-]{{22}}")
            os.write(keyboard, b" ")
            cookies = [joined(link) for _ in range(_PAGES)]
            senders = Senders(GROUPS, given.frames, longest_s)
            controller, page = Controller(), Page(cookies[0])
            time.sleep(10.0)
            waits: list[tuple[float, float]] = []
            missed: list[str] = []
            for _ in range(given.falls):
                controller.sends = False
                time.sleep(2 * _PERIOD_S)
                last_s = controller.last_s
                on_page, on_screen = waited(last_s, page.came, 8.0), waited(last_s, drawn, 8.0)
                if on_page is not None and on_screen is not None:
                    waits.append((on_screen, on_page))
                else:
                    missed.append(f"page {on_page}, screen {on_screen}")
                controller.sends = True
                time.sleep(3.0)
            print(f"{len(waits)} of {given.falls} losses were seen on both, at {given.frames:,.0f} frames/s wanted")
            for text in missed:
                print(f"not on both: {text}")
            if not waits:
                raise SystemExit("no loss was seen")
            for name, values in (
                ("screen", [one for one, _ in waits]),
                ("page", [one for _, one in waits]),
                ("page after screen", [two - one for one, two in waits]),
            ):
                ms = [round(value * 1000) for value in values]
                print(f"{name:18} median {statistics.median(ms):5.0f} ms, longest {max(ms):5} ms")
            page.close()
            costs: dict[int, list[float]] = {0: [], _PAGES: []}
            for _ in range(given.turns):
                for n in costs:
                    pages = [Page(cookie) for cookie in cookies[:n]]
                    time.sleep(1.0)
                    before = used_s(screen.pid), time.monotonic()
                    time.sleep(given.seconds)
                    costs[n].append((used_s(screen.pid) - before[0]) / (time.monotonic() - before[1]))
                    for one in pages:
                        one.close()
            for n, shares in costs.items():
                print(f"{n:2} pages: {', '.join(f'{share:.1%}' for share in shares)} of a core")
            more = statistics.median(costs[_PAGES]) - statistics.median(costs[0])
            print(f"ten pages cost {more:.1%} of a core (difference of medians)")
        finally:
            screen.send_signal(signal.SIGTERM)
            try:
                screen.wait(20)
            except subprocess.TimeoutExpired:
                screen.kill()
        print(f"sent {senders.finish():,} frames", flush=True)
    os._exit(0)  # the controller's thread still sends


if __name__ == "__main__":
    main()
