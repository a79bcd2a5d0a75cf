"""What was tried against the page, as in a security review; docs/phone.md has the table. Nothing is logged or read.

By the numbers of the OWASP Web Security Testing Guide 4.2, from memory: session management (SESS), cross-site request
forgery (SESS-05), host header injection (INPV-17), path traversal (ATHZ-01), stored cross-site scripting (INPV-02).
"""

import contextlib
import json
import re
import socket
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from busdoc.page.connections import MOST_CONNECTIONS
from busdoc.page.entry import Role
from tests.page.served import Phone, Served, served
from tests.waiting import wait_for

PRIVATE = ("/events", "/clock")
STATIC = resources.files("busdoc.page") / "static"


@pytest.fixture(scope="module")
def page() -> Iterator[Served]:
    with served() as found:
        yield found


@pytest.fixture
def unharmed(page: Served) -> Iterator[Served]:
    """Hold that nothing was logged, and that the session goes on."""
    before = page.session.view().actions
    frames = page.session.view().frames
    yield page
    page.run(0.5)
    assert page.session.view().actions == before
    assert page.session.view().frames > frames


def press(phone: Phone) -> dict[str, Any]:
    found: dict[str, Any] = phone.pressed("act", action="wiggle", part="harness-A")
    return found


@pytest.mark.parametrize("cookie", ["", "busdoc=x", "x" * 500])
def test_without_a_token_nothing_is_read_or_logged(unharmed: Served, cookie: str) -> None:
    phone = Phone(unharmed)
    phone.cookie = cookie
    for path in PRIVATE:
        status, text = phone.ask("GET", path)
        assert (status, text) == (401, {"text": "not let in"})
    assert phone.ask("POST", "/press", press(phone))[0] == 401
    assert phone.ask("POST", "/photograph", raw=b"x", headers={"Content-Type": "image/jpeg"})[0] == 401


@pytest.mark.parametrize("body", [{}, {"secret": 5}, {"secret": None}, ["secret"], {"secret": ""}, "no"])
def test_what_is_no_secret_lets_nobody_in(unharmed: Served, body: object) -> None:
    phone = Phone(unharmed)
    assert phone.ask("POST", "/join", body)[0] in (400, 401, 429)
    assert phone.cookie == ""


def test_a_secret_in_the_path_or_as_a_token_is_none(unharmed: Served) -> None:
    phone = Phone(unharmed)
    secret = unharmed.server.entry.secret(Role.LOG)
    assert phone.ask("GET", f"/clock?secret={secret}")[0] == 401
    phone.cookie = f"busdoc-{unharmed.server.place.port}={secret}"
    assert phone.ask("GET", "/clock")[0] == 401


@pytest.mark.parametrize(
    "host",
    ["attacker.example", "attacker.example:{port}", "127.0.0.1", "127.0.0.1:1", "localhost.attacker.example:{port}"],
)
def test_a_name_of_somebody_else_that_leads_here_is_refused(unharmed: Served, host: str) -> None:
    """DNS rebinding: the browser takes the attacker's name for this computer, and sends it along as the host."""
    phone = unharmed.phone()
    named = host.format(port=unharmed.server.place.port)
    for method, path, body in (("GET", "/", None), ("GET", "/clock", None), ("POST", "/press", press(phone))):
        headers = {"Host": named, **({"Origin": f"http://{named}"} if method == "POST" else {})}
        assert phone.ask(method, path, body, headers=headers)[0] == 421


@pytest.mark.parametrize(
    "origin", ["http://attacker.example", "null", "https://localhost:{port}", "http://localhost:1", None]
)
def test_a_page_of_another_site_cannot_press(unharmed: Served, origin: str | None) -> None:
    phone = unharmed.phone()
    named = None if origin is None else origin.format(port=unharmed.server.place.port)
    assert phone.ask("POST", "/press", press(phone), headers={"Origin": named})[0] == 403


@pytest.mark.parametrize("kind", ["application/x-www-form-urlencoded", "multipart/form-data", "text/plain", None])
def test_a_form_cannot_press(unharmed: Served, kind: str | None) -> None:
    """A form of another site can send these kinds alone, and asks nobody before (Fetch, "CORS-safelisted")."""
    phone = unharmed.phone()
    assert phone.ask("POST", "/press", press(phone), headers={"Content-Type": kind})[0] == 415


def test_another_site_cannot_have_what_is_shown_fetched(unharmed: Served) -> None:
    phone = unharmed.phone()
    for site in ("cross-site", "same-site", "none"):
        assert phone.ask("GET", "/clock", headers={"Sec-Fetch-Site": site})[0] == 403
    assert phone.ask("GET", "/", headers={"Sec-Fetch-Site": "cross-site"})[0] == 200  # a link to it may be tapped


def test_the_cookie_is_kept_from_scripts_and_other_sites(page: Served) -> None:
    line = socket.create_connection(("127.0.0.1", page.server.place.port))
    body = json.dumps({"secret": page.server.entry.secret(Role.VIEW)})
    line.sendall(
        f"POST /join HTTP/1.1\r\nHost: {page.address}\r\nOrigin: http://{page.address}\r\nConnection: close\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n{body}".encode()
    )
    answer = all_of(line)
    line.close()
    assert re.search(r"set-cookie: busdoc-\d+=[\w-]{22}; HttpOnly; Max-Age=86400; Path=/; SameSite=strict\r", answer)


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml", "/static/../../app.py", "/%2e%2e/%2e%2e/etc/passwd", "/page.js/../page.html", "//page.js",
        "/page.html", "/page.js%00.css", "/page.json", "/session.sqlite", "/C:/Windows/win.ini", "/" + "a" * 3000,
    ],
)  # fmt: skip
def test_a_path_leads_to_the_pages_own_files_alone(unharmed: Served, path: str) -> None:
    assert unharmed.phone().ask("GET", path)[0] in (400, 404, 431)


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_do_nothing(unharmed: Served, method: str) -> None:
    assert unharmed.phone().ask(method, "/press")[0] in (400, 404, 405)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"mark": "../../x"}, {"mark": "0" * 31}, {"mark": None}, {"what": ""}, {"what": "x" * 50}, {"what": 5},
        {"at": "now"}, {"at": True}, {"at": -1}, {"at": 1e300}, {"seen": None}, {"n": 0}, {"n": 1.5}, {"n": 1 << 40},
        {"part": 5},
        {"part": "x" * 500}, {"by": 5}, {"text": ["x"]},
    ],
)  # fmt: skip
def test_a_press_that_is_none_is_refused(unharmed: Served, spoilt: dict[str, object]) -> None:
    phone = unharmed.phone()
    assert phone.ask("POST", "/press", {**press(phone), **spoilt})[0] == 400


@pytest.mark.parametrize("raw", [b"", b"[]", b"{", b"\xff\xfe", b'{"mark":' * 500, b"[" * 8000])
def test_what_is_no_json_is_refused(unharmed: Served, raw: bytes) -> None:
    assert unharmed.phone().ask("POST", "/press", raw=raw)[0] == 400


@pytest.mark.parametrize(
    "what", ["step", "yes", "cycle", "undo", "redo", "ago", "take", "refuse", "silence", "bus", "send"]
)
def test_what_there_is_nothing_to_do_for_logs_nothing(unharmed: Served, what: str) -> None:
    answer = unharmed.phone().press(what, action="wiggle")
    assert not answer["logged"] or what == "refuse"


def test_too_large_a_body_is_refused_before_it_is_read(unharmed: Served) -> None:
    phone = unharmed.phone()
    assert phone.ask("POST", "/press", raw=b" " * 8193)[0] == 413
    headers = {"Content-Type": "image/jpeg", "Content-Length": str(10**9)}
    line = socket.create_connection(("127.0.0.1", unharmed.server.place.port), timeout=10)
    asked = {"Host": unharmed.address, "Origin": f"http://{unharmed.address}", "Cookie": phone.cookie, **headers}
    line.sendall(
        b"POST /photograph HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in asked.items()).encode() + b"\r\n"
    )
    assert line.recv(100).startswith(b"HTTP/1.1 413 ")
    line.close()


def test_a_body_in_pieces_is_measured_as_well(unharmed: Served) -> None:
    phone = unharmed.phone()
    line = socket.create_connection(("127.0.0.1", unharmed.server.place.port), timeout=10)
    asked = {
        "Host": unharmed.address, "Origin": f"http://{unharmed.address}", "Cookie": phone.cookie,
        "Content-Type": "application/json", "Transfer-Encoding": "chunked",
    }  # fmt: skip
    line.sendall(b"POST /press HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in asked.items()).encode() + b"\r\n")
    for _ in range(5):
        line.sendall(b"1000\r\n" + b" " * 0x1000 + b"\r\n")
    assert line.recv(100).startswith(b"HTTP/1.1 413 ")
    line.close()


def test_too_large_a_head_ends_the_line(unharmed: Served) -> None:
    line = socket.create_connection(("127.0.0.1", unharmed.server.place.port), timeout=10)
    line.sendall(f"GET / HTTP/1.1\r\nHost: {unharmed.address}\r\nX: ".encode() + b"x" * 100_000)
    with contextlib.suppress(ConnectionResetError):  # closed while it was still being sent
        assert line.recv(100)[:12] in (b"HTTP/1.1 400", b"HTTP/1.1 431", b"")
    line.close()


@pytest.mark.parametrize(
    "begun",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: {host}\r\nX: ",
        b"POST /join HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Type: application/json\r\n"
        b"Content-Length: 100\r\n\r\n{",
    ],
    ids=["nothing", "a head", "a body"],
)
def test_a_line_that_never_says_what_it_wants_is_cut_off(begun: bytes) -> None:
    with served(seconds=0.5, patience_s=0.3) as page:
        line = socket.create_connection(("127.0.0.1", page.server.place.port), timeout=20)
        line.sendall(begun.replace(b"{host}", page.address.encode()))
        assert line.recv(100)[:12] in (b"", b"HTTP/1.1 408")
        line.close()


def test_of_a_thousand_lines_most_are_closed_and_the_rest_goes_on(unharmed: Served) -> None:
    phone = unharmed.phone()
    lines: list[socket.socket] = []

    def few_are_left() -> bool:
        unharmed.session.step()
        return sum(map(is_open, lines)) <= MOST_CONNECTIONS

    def is_answered() -> bool:
        try:
            return phone.ask("GET", "/clock")[0] == 200
        except (OSError, IndexError):
            return False

    try:
        for _ in range(1000):
            line = socket.socket()
            line.setblocking(False)
            line.connect_ex(("127.0.0.1", unharmed.server.place.port))
            lines.append(line)
        wait_for(few_are_left)
    finally:
        for line in lines:
            line.close()
    wait_for(is_answered)  # who was in is in


def all_of(line: socket.socket) -> str:
    heard = b""
    while piece := line.recv(4096):
        heard += piece
    return heard.decode()


def is_open(line: socket.socket) -> bool:
    try:
        return line.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


def test_presses_without_end_are_slowed(page: Served) -> None:
    phone = page.phone()
    statuses = [phone.ask("POST", "/press", phone.pressed("nothing"))[0] for _ in range(25)]
    assert statuses[:20] == [200] * 20
    assert set(statuses[20:]) == {429}


def test_every_answer_forbids_scripts_of_others_and_frames(page: Served) -> None:
    for host, status in ((page.address, "200"), ("attacker.example", "421")):
        line = socket.create_connection(("127.0.0.1", page.server.place.port))
        line.sendall(f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        answer = all_of(line)
        line.close()
        assert answer.startswith(f"HTTP/1.1 {status}")
        policy = next(text for text in answer.splitlines() if text.startswith("content-security-policy: "))
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy.partition(": ")[2]
        assert "frame-ancestors 'none'" in policy


def test_no_script_stands_in_the_page_and_nothing_comes_from_outside() -> None:
    html = (STATIC / "page.html").read_text(encoding="utf-8")
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    assert re.findall(r"\son\w+=|style=", html) == []
    for file in STATIC.iterdir():
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert re.findall(r"https?://", text) == [], file.name
        assert re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function", text) == []


def test_a_photograph_that_is_none_is_refused(tmp_path: Path) -> None:
    with served(tmp_path / "session", seconds=0.5) as page:
        phone = page.phone()
        for data in (b"", b"<script>alert(1)</script>", b"\xff\xd8\xff\xe0" + b"\0" * 100, b"GIF89a"):
            status, text = phone.ask(
                "POST", f"/photograph?mark={'0' * 32}", raw=data, headers={"Content-Type": "image/jpeg"}
            )
            assert status == 422, text
        assert phone.ask("POST", "/photograph?mark=../x", raw=b"x", headers={"Content-Type": "image/jpeg"})[0] == 400
        assert not (tmp_path / "session" / "photographs").exists()
