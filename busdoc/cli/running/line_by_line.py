"""The session at the machine line by line: what is typed goes in, what happens comes out, a line each."""

import argparse
import contextlib
import queue
import sys
import threading
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from busdoc.cli.environment import Surroundings, ended_by_signals
from busdoc.cli.options import waits_s

if TYPE_CHECKING:
    from busdoc.live.session import LiveSession
    from busdoc.page.command import PageOfCommand

__all__ = ["run_line_by_line"]

_TICK_S = 0.05


def run_line_by_line(
    session: "LiveSession", arguments: argparse.Namespace, surroundings: Surroundings, page: "PageOfCommand | None"
) -> None:
    """Run a session whose lines are typed, until it is left or ended."""
    from busdoc.live.bell import TerminalBell
    from busdoc.screen.plain import PlainSession

    out = surroundings.stderr if arguments.json else surroundings.stdout

    def say(text: str) -> None:
        with contextlib.suppress(BrokenPipeError):
            print(text, file=out, flush=True)

    bell = TerminalBell(out, quiet=arguments.quiet)
    shown = Surroundings(out) if arguments.json else surroundings
    phone = None if page is None else partial(page.show, say, shown.terminal)
    plain = PlainSession(session, say, bell=bell, phone=phone)
    plain.greet()
    typed: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=_read_lines, args=(typed,), name="typed lines", daemon=True).start()
    pace_s = waits_s(session.source, _TICK_S)
    listening = True
    with ended_by_signals() as stopping:
        while not plain.left and not stopping.is_set():
            session.step()
            plain.tell()
            for line in _waiting(typed):
                if line is None:
                    listening = False
                else:
                    plain.type(line)
            if session.source.finished and (not listening or arguments.json or arguments.actions is not None):
                break
            if session.source.finished or pace_s:
                stopping.wait(_TICK_S)
    session.close()
    plain.tell()
    plain.close()
    bell.finish(stopping.wait)


def _read_lines(typed: "queue.Queue[str | None]") -> None:
    with contextlib.suppress(OSError, ValueError):  # there is none, it was closed, or it speaks no text
        for line in sys.stdin or ():
            typed.put(line)
    typed.put(None)


def _waiting(typed: "queue.Queue[str | None]") -> Iterator[str | None]:
    while True:
        try:
            yield typed.get_nowait()
        except queue.Empty:
            return
