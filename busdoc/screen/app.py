"""The screen of `busdoc isolate`: puts the areas in their places, hands keys on, and draws what there is.

Everything that is decided is decided by `ScreenState` and the session; everything that is drawn, by the areas' own
functions. This module knows only sizes, timers and Textual.
"""

import os
import shlex
import sys
import time
from collections.abc import Callable, Sequence
from datetime import tzinfo
from functools import partial
from typing import ClassVar, TextIO

from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.timer import Timer

from busdoc.errors import InputError
from busdoc.live.on_event import EventCommand
from busdoc.live.view import Happening
from busdoc.screen.areas.big_view import BigView, draw_big
from busdoc.screen.areas.complaint import draw_complaint
from busdoc.screen.areas.harness import HarnessTree, draw_harness
from busdoc.screen.areas.head import Bar, draw_head, draw_hints, draw_message, draw_offer, draw_troubles
from busdoc.screen.areas.next_step import NextStep, draw_next, least_height
from busdoc.screen.areas.pages import Page, PageArea, draw_page
from busdoc.screen.areas.roll_call import RollCall, draw_roll
from busdoc.screen.areas.strip import PresenceStrip, draw_presence
from busdoc.screen.drawing.lines import Area, Line
from busdoc.screen.drawing.styles import DAY, NIGHT
from busdoc.screen.key_handling import ScreenState
from busdoc.screen.layout import Places, places_for
from busdoc.screen.session import Session

__all__ = ["IsolateApp", "run_screen"]

_BESIDE = 60
"""From this width on the complaint has a strip of its own, beside those of the controllers."""
_TICK_S = 1 / 20


class IsolateApp(App[None]):
    """The screen over a session.

    Parameters
    ----------
    session : what runs
    quiet : ring no bell
    tell : called with each thing that happens
    zone : of the times of day; None: the laptop's own
    clock_s : a clock that only goes on, s
    ended : asked with each tick whether to end, since the operating system wishes so
    phone : gives what lets a phone in; None: no page is served
    ticking : False: nothing goes on by itself, `tick` is called by hand
    """

    CSS_PATH = "busdoc.tcss"
    TITLE = "busdoc"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+q", "pressed('ctrl+q')", priority=True, show=False),
        Binding("ctrl+c", "pressed('ctrl+c')", priority=True, show=False),
        Binding("tab", "pressed('tab')", priority=True, show=False),
    ]

    def __init__(
        self,
        session: Session,
        *,
        quiet: bool = False,
        tell: Callable[[Happening], None] | None = None,
        zone: tzinfo | None = None,
        clock_s: Callable[[], float] = time.monotonic,
        ended: Callable[[], bool] = lambda: False,
        ticking: bool = True,
        phone: Callable[[bool], Sequence[str]] | None = None,
    ) -> None:
        # Where colours are unwanted Textual would turn them into greys; with the terminal's own it leaves them out.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.state = ScreenState(session, quiet=quiet, zone=zone, clock_s=clock_s, phone=phone)
        self._tell_others = tell
        self._ended = ended
        self._ticking = ticking
        self._timer: Timer | None = None
        self._places: Places | None = None

    def compose(self) -> ComposeResult:
        """Make the areas."""
        yield Bar("head")
        yield Bar("troubles")
        yield Bar("complaint")
        with Horizontal(id="upper"):
            yield RollCall("roll")
            yield PresenceStrip("strip")
        with Horizontal(id="lower"):
            yield HarnessTree("harness")
            yield NextStep("next")
        yield BigView("big")
        yield PageArea("page")
        yield Bar("offer")
        yield Bar("asking")
        yield Bar("message")
        yield Bar("hints")

    def on_mount(self) -> None:
        """Begin to tick."""
        self.redraw()
        if self._ticking:
            self._timer = self.set_interval(_TICK_S, self.tick)

    def on_resize(self) -> None:
        """Draw for the new size, once the base class has taken it: it is asked after this one."""
        self._places = None
        self.call_later(self.redraw)

    def on_key(self, event: events.Key) -> None:
        """Take a key."""
        event.stop()
        event.prevent_default()
        self.action_pressed(event.key, event.character)

    def action_pressed(self, key: str, character: str | None = None) -> None:
        """Take a key, and show at once what it did."""
        self.state.press(key, character)
        if self.state.leaving:
            self.exit()
        else:
            self.redraw()

    def tick(self) -> None:
        """Let the session go on, ring, and draw if there is something to show."""
        if self._ended():
            self.exit()
            return
        new = self.state.tick()
        for happening in new or ():
            if self._tell_others is not None:
                self._tell_others(happening)
        if self.state.rings():
            self.bell()
        if new is not None:
            self.redraw()

    def redraw(self) -> None:
        """Draw all areas that are in sight."""
        state, width = self.state, self.size.width
        if width < 2 or not self.is_running:
            return
        troubles = draw_troubles(state.view, width)
        offer = (
            [] if state.page or state.asking else draw_offer(state.view, width, state.zone, labels=state.offers_labels)
        )
        asking = state.asking.draw(width) if state.asking is not None else []
        message = draw_message(state.message.text, state.message.tone, width)
        n_complaint = 0 if state.view.complaint is None or state.page or state.big else 2 if width >= _BESIDE else 1
        layout = partial(
            places_for,
            width,
            self.size.height,
            n_controllers=len(state.view.controllers),
            n_around=1 + len(troubles) + n_complaint + len(offer) + len(message),
            n_asking=len(asking),
            alone=state.alone,
        )
        places = layout()
        if places.next and not state.alone:  # how many lines its cautions take depends on how wide it is
            places = layout(n_next=least_height(state.view, places.next))
        self._place(places)
        self.screen.set_class(state.light, "day")
        self._show("head", [draw_head(state.view, width, state.zone)])
        label = places.roll if n_complaint > 1 and places.strip else 0
        scroll = state.scroll
        complaint = draw_complaint(
            state.view, width, state.zone, label=label, length_s=scroll.length_s, back_ns=scroll.back_ns
        )[:n_complaint]
        bars = [("troubles", troubles), ("complaint", complaint), ("offer", offer), ("asking", asking)]
        for name, lines in (*bars, ("message", message)):
            bar = self.query_one(f"#{name}")
            bar.set_class(not lines, "hidden")
            if bar.styles.height is None or bar.styles.height.value != max(1, len(lines)):
                bar.styles.height = max(1, len(lines))
            self._show(name, lines)
        self._show("hints", [draw_hints(state.view, width, state.page)])
        middle = "page" if state.page is not None else "big" if state.big else "areas"
        self.query_one("#page").set_class(middle != "page", "hidden")
        self.query_one("#big").set_class(middle != "big", "hidden")
        self.query_one("#upper").set_class(middle != "areas" or not places.upper, "hidden")
        self.query_one("#lower").set_class(middle != "areas" or not places.lower, "hidden")
        room = max(1, self.size.height - 2 - len(troubles) - len(offer) - len(asking) - len(message))
        if state.page is not None:
            self._show(
                "page",
                draw_page(
                    state.page,
                    state.view,
                    width,
                    room,
                    state.page_first,
                    chosen=state.chosen_action,
                    zone=state.zone,
                    phone=state.phone(state.light) if state.phone is not None and state.page is Page.PHONE else (),
                ),
            )
        elif state.big:
            self._show("big", draw_big(state.view, width, room))
        else:
            self._draw_areas(places)

    def _draw_areas(self, places: Places) -> None:
        state = self.state
        state.fit(roll_height=places.upper, tree_height=places.lower)
        view, scroll = state.view, state.scroll
        if places.roll:
            self._show("roll", draw_roll(view, places.roll, places.upper, scroll.controller))
        if places.strip:
            strip = draw_presence(view, places.strip, places.upper, scroll.controller, scroll.length_s, scroll.back_ns)
            self._show("strip", strip)
        if places.harness:
            self._show("harness", draw_harness(view, places.harness, places.lower, scroll.part))
        if places.next:
            self._show("next", draw_next(view, places.next, places.lower, state.lately))

    def _show(self, name: str, lines: Sequence[Line]) -> None:
        self.query_one(f"#{name}", Area).show(lines, DAY if self.state.light else NIGHT)

    def _place(self, places: Places) -> None:
        """Give the areas their sizes, if these have changed."""
        if places == self._places:
            return
        self._places = places
        upper = self.query_one("#upper")
        upper.styles.height = places.upper
        for name, width, beside in (
            ("roll", places.roll, 0),
            ("strip", places.strip, places.roll),
            ("harness", places.harness, 0),
            ("next", places.next, places.harness),
        ):
            area = self.query_one(f"#{name}")
            area.set_class(not width, "hidden")
            area.set_class(bool(width and beside), "right")
            area.styles.width = width + bool(beside)


def _is_terminal(stream: TextIO | None) -> bool:
    return stream is not None and not stream.closed and stream.isatty()


def run_screen(
    session: Session,
    *,
    quiet: bool,
    on_event: Sequence[str] | None,
    ended: Callable[[], bool] = lambda: False,
    phone: Callable[[bool], Sequence[str]] | None = None,
) -> None:
    """Show a session until its person leaves.

    Parameters
    ----------
    session : started; it is not closed here
    quiet : ring no bell
    on_event : a program and its arguments, to run with each thing that happens; None: none
    phone : gives what lets a phone in; None: no page is served
    ended : asked some 20 times a second whether to leave without being told to

    Raises
    ------
    InputError : there is no such program, or no terminal to show a screen on
    """
    if not (_is_terminal(sys.__stdin__) and _is_terminal(sys.__stderr__)):  # Textual reads the one, draws on the other
        raise InputError("the screen", "a terminal", "a pipe or a file", "Add --plain for the session line by line.")
    runner = EventCommand(shlex.join(on_event)) if on_event else None
    try:
        tell = None if runner is None else runner.hear
        IsolateApp(session, quiet=quiet, tell=tell, ended=ended, phone=phone).run(mouse=False)
    finally:
        if runner is not None:
            runner.close()
