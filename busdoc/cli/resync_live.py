"""`busdoc resync` on live buses, or on a recording that is played back: the lines of a plain terminal.

Each controller is a line when it is home; the marks and words of the screen tell the state, never colour alone.
Everything heavy is imported inside the command.
"""

import argparse
import contextlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

from busdoc.cli.environment import ExitStatus, Surroundings, ended_by_signals
from busdoc.cli.given.page_options import open_page
from busdoc.cli.options import databases, load_inputs, waits_s
from busdoc.errors import InputError
from busdoc.times import SECOND_NS, wall_time, zone_name

if TYPE_CHECKING:
    from busdoc.capture.listening import FrameSource
    from busdoc.live.bell import TerminalBell
    from busdoc.live.resync.news import NewsKind, ReturnNews
    from busdoc.live.resync.resync_live import ResyncLive

__all__ = ["resync_live"]

_TICK_S = 0.05
_BELL_HOLD_S = 10.0
"""A start is short: what is late or restarts again and again within it is read, and rung once (common practice)."""
_SIGN_WIDTH = 10


def resync_live(arguments: argparse.Namespace, surroundings: Surroundings, source: "FrameSource") -> ExitStatus:
    """Wait for the power-up, count each controller home, and give the verdict.

    Raises
    ------
    InputError : nothing that can be listened to, or no power-up before it was ended
    """
    from busdoc.cli.keys import terminal_keys
    from busdoc.live.bell import TerminalBell
    from busdoc.live.resync.resync_live import ResyncLive

    machine, database = load_inputs(arguments.machine, databases(arguments))
    within: float | None = arguments.within
    if within is not None and not 0 < within < 86_400:
        raise InputError("--within", "seconds above 0", f"{within:g}", "Write for example --within 30.")
    live = ResyncLive(
        source,
        machine,
        database,
        within_ns=None if within is None else round(within * SECOND_NS),
        asked=arguments.symptom,
        journal=arguments.actions,
    )
    page = open_page(arguments, None)
    with ended_by_signals() as stopping, terminal_keys() as keys, contextlib.ExitStack() as around:
        quiet = arguments.quiet or arguments.json
        bell = TerminalBell(surroundings.stdout, quiet=quiet, hold_s=_BELL_HOLD_S)
        lines = _Lines(live, surroundings, bell, says=not arguments.json)
        try:
            live.start()
        except InputError:
            if page is not None:
                page.close()
            raise
        try:
            lines.greet(source)
            shown, follow = None, None
            if page is not None:
                from busdoc.live.bell import Bell
                from busdoc.page.hosts.resync import ResyncHost

                shown = ResyncHost(live, Bell(hold_s=_BELL_HOLD_S))
                follow = around.enter_context(page.served(shown, None, surroundings.warn))
                to = Surroundings(surroundings.stderr) if arguments.json else surroundings
                page.show(to.say, to.terminal)
            pace_s = waits_s(source, _TICK_S)
            while not live.done and not stopping.is_set():
                for _ in keys.pressed():
                    lines.note_power_on()
                news = live.step()
                lines.tell(news)
                if shown is not None and follow is not None:
                    shown.tell(news)
                    follow()
                lines.remark(source)
                if not news and pace_s:
                    stopping.wait(pace_s)
        finally:
            live.stop()
        bell.finish(stopping.wait)
    return _conclude(live, arguments, surroundings)


def _conclude(live: "ResyncLive", arguments: argparse.Namespace, surroundings: Surroundings) -> ExitStatus:
    """Print the verdict so far."""
    from busdoc.report.json.document import print_document, returns_document
    from busdoc.report.terminal.resync import changes_text, render_returns
    from busdoc.report.terminal.wrapping import filled
    from busdoc.report.words.returns import followed_headline, limits_missing
    from busdoc.resync_check.records import ReturnVerdict

    found = live.result()
    power_up = live.following.power_up
    if power_up is None:
        raise InputError(
            ", ".join(arguments.bus or [str(file) for file in arguments.replay]),
            "a power-up: all controllers silent for a second or more, then back",
            "none before it ended",
            "Start listening first, then switch the machine off and on.",
        )
    headline = followed_headline(
        power_up,
        live.following.not_back(),
        within_ns=live.following.within_ns(),
        timed_out=live.following.timed_out,
        done=live.done,
    )
    if arguments.json:
        print_document(returns_document(live.document(), headline, live.following.verdict), surroundings.stdout)
    else:
        width = surroundings.text_width
        parts = [render_returns(power_up, width)]
        unlimited = limits_missing([power_up])
        if unlimited is not None:
            parts.append(filled(unlimited, width, more="  "))
        if found.changes:
            parts.append(changes_text(found.changes, width))
        parts.append(filled(headline, width))
        surroundings.stdout.write("\n" + "\n\n".join(parts) + "\n")
    return ExitStatus.TROUBLE if live.following.verdict is ReturnVerdict.FAIL else ExitStatus.HEALTHY


class _Lines:
    """Writes what becomes known, and rings."""

    def __init__(self, live: "ResyncLive", surroundings: Surroundings, bell: "TerminalBell", *, says: bool) -> None:
        self._live = live
        self._stream = surroundings.stdout if says else surroundings.stderr
        self._bell = bell
        self._says = says
        self._width = surroundings.text_width
        self._signs = _signs(with_marks=surroundings.unicode)
        self._name_width = 12
        self._remarks: set[tuple[str, str]] = set()

    def greet(self, source: "FrameSource") -> None:
        """Say what is listened to."""
        buses = source.buses()
        heard = ", ".join(bus.name for bus in buses) or "the recording"
        self.say(f"listening to {heard}; nothing is transmitted. A key notes the moment you switch on; Ctrl-C ends.")
        self.remark(source)

    def note_power_on(self) -> None:
        """Take note of a key, and say so once it is written down, or that it could not be."""
        try:
            at_ns = self._live.press()
        except InputError as error:
            self.say(f"NOT NOTED. {error}", time_ns=self._live.source.now_ns())
        else:
            self.say("power on, by your key", time_ns=at_ns)

    def remark(self, source: "FrameSource") -> None:
        """Say what is to be known of the buses, each once."""
        for bus in source.buses():
            for text in bus.remarks:
                if (bus.name, text) not in self._remarks:
                    self._remarks.add((bus.name, text))
                    self.say(f"{bus.name}: {text}")

    def tell(self, news: "tuple[ReturnNews, ...]") -> None:
        """Write a line for each thing that became known."""
        for one in news:
            text, indent = self._line(one)
            self.say(text, time_ns=one.time_ns if one.after_ns is None else None, indent=indent)
            self._bell.hear([one.kind])
        self._bell.tick()

    def say(self, text: str, time_ns: int | None = None, indent: int = 2) -> None:
        """Write a line, or as many as it takes: they break between words, and go on `indent` columns in."""
        from busdoc.report.terminal.wrapping import filled

        if not self._says:
            return
        stamp = ""
        if time_ns is not None and self._live.epoch:
            mark = "Z" if zone_name() == "UTC" else f"{wall_time(time_ns):%z}"
            stamp = f"{wall_time(time_ns):%H:%M:%S}{mark}  "
        self._stream.write(
            filled(f"{stamp}{text}", self._width, more=" " * min(len(stamp) + indent, self._width // 2)) + "\n"
        )
        self._stream.flush()

    def _line(self, one: "ReturnNews") -> tuple[str, int]:
        """Give a line, and how far in it goes on where it is too long."""
        if one.after_ns is None:
            return one.text, 2
        head = f"{one.after_ns / SECOND_NS:7.2f} s  {self._signs.get(one.kind, ''):<{_SIGN_WIDTH}}  "
        if one.controller is None:
            return f"{head}{one.text}", len(head)
        self._name_width = max(self._name_width, min(len(one.controller), 28))
        name = one.controller if len(one.controller) <= 28 else one.controller[:27] + "~"
        head += f"{name:<{self._name_width}}  "
        limit = "" if one.limit_ns is None else f", limit {one.limit_ns / SECOND_NS:.1f} s"
        return f"{head}{one.text + limit:<32}  {one.home} of {one.due}", len(head)


def _signs(*, with_marks: bool) -> Mapping["NewsKind", str]:
    """Give the words that states have on the screen, with their marks where the terminal can show these."""
    from busdoc.screen.drawing.states import NEWS_SIGNS

    return {kind: f"{sign.mark} {sign.word}" if with_marks else sign.word for kind, sign in NEWS_SIGNS.items()}
