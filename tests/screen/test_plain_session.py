"""The session line by line: what it rings for."""

import io

from busdoc.live.bell import TerminalBell
from busdoc.live.view import HappeningKind
from busdoc.screen.plain import PlainSession
from tests.screen.made_views import MadeSession


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bell_rings_once_for_lost_and_twice_for_back() -> None:
    now_s = 0.0
    out, session = Terminal(), MadeSession()
    plain = PlainSession(session, lambda _: None, bell=TerminalBell(out, quiet=False, clock_s=lambda: now_s))
    strokes = []
    for kind in (HappeningKind.LOST, HappeningKind.CODE, HappeningKind.BACK):
        session.happen(kind, "hopper")
        before = len(out.getvalue())
        for _ in range(30):
            now_s += 0.1
            plain.tell()
        strokes.append(out.getvalue()[before:])
    assert strokes == ["\a", "", "\a\a"]
