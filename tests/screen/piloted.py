"""The real screen under Textual's own pilot, with a clock that stands still unless it is moved."""

import asyncio
from collections.abc import Awaitable, Callable
from datetime import UTC
from typing import TypeVar

from textual.pilot import Pilot

from busdoc.screen.app import IsolateApp
from busdoc.screen.session import Session

T = TypeVar("T")
SMALL = (80, 24)
LARGE = (160, 50)


class HandClock:
    """A clock that goes on when told."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def on_screen(
    session: Session,
    do: Callable[[IsolateApp, Pilot[None]], Awaitable[T]],
    *,
    size: tuple[int, int] = SMALL,
    clock: HandClock | None = None,
    quiet: bool = True,
) -> T:
    """Run the screen of a session, past its cautions, and do something with it; time goes on only by `app.tick()`."""

    async def run() -> T:
        app = IsolateApp(session, quiet=quiet, zone=UTC, clock_s=clock or HandClock(), ticking=False)
        async with app.run_test(size=size) as pilot:
            await pilot.press("space")
            await pilot.pause()
            return await do(app, pilot)

    return asyncio.run(run())


def text_of(app: IsolateApp) -> list[str]:
    """Give the screen as it stands: what the compositor paints, row by row, without blanks at the ends."""
    return [strip.text.rstrip() for strip in app.screen._compositor.render_strips()]
