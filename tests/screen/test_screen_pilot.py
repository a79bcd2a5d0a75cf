"""Keys through the terminal's own way: Textual's pilot presses, the session hears, the screen says."""

import asyncio
import subprocess
import sys

import pytest
from textual.pilot import Pilot
from textual.strip import Strip

from busdoc.actions.action import ActionKind
from busdoc.live.view import HappeningKind
from busdoc.screen.app import IsolateApp
from busdoc.screen.drawing.lines import Area
from tests.screen.made_views import HEALTHY, ONE_LOST, SEVERAL_LOST, MadeSession, controller, with_controllers
from tests.screen.piloted import LARGE, SMALL, HandClock, on_screen, text_of


def pressed(session: MadeSession, *keys: str, size: tuple[int, int] = SMALL) -> list[str]:
    """Press keys; give the screen then."""

    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[str]:
        await pilot.press(*keys)
        await pilot.pause()
        return text_of(app)

    return on_screen(session, do, size=size)


@pytest.mark.parametrize("key", ["space", "enter", "pagedown"])
@pytest.mark.parametrize("before", [[], ["b"], ["tab"]])
def test_the_key_for_the_proposed_step_and_a_second_one_log_it_in_every_view(key: str, before: list[str]) -> None:
    session = MadeSession(shown=ONE_LOST)

    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[str]:
        app.state._console.step_press._since_s -= 2.0  # it has been read
        await pilot.press(*before, key, "y")
        await pilot.pause()
        return text_of(app)

    screen = on_screen(session, do, size=SMALL)
    assert session.asked == [("do now",), ("act", ActionKind.POWER_OFF, None, None)]
    assert screen[-2] == " logged 07:17:00 switched the machine off"


def test_an_action_in_two_keys() -> None:
    session = MadeSession(shown=ONE_LOST)
    screen = pressed(session, "w", "2")
    assert session.asked == [("act", ActionKind.WIGGLE, "gate-angle", None)]
    assert screen[-2] == " logged 07:17:00 wiggled gate-angle"


def test_signs_are_known_by_what_they_type() -> None:
    session = MadeSession(shown=ONE_LOST)

    async def do(app: IsolateApp, pilot: Pilot[None]) -> tuple[int, bool, str | None]:
        await pilot.press("minus", "full_stop")
        big = app.state.big
        await pilot.press("question_mark")
        return app.state.scroll.length_s, big, app.state.page

    assert on_screen(session, do) == (300, True, "help")


def test_the_question_leaves_the_controllers_in_sight() -> None:
    screen = pressed(MadeSession(shown=ONE_LOST), "u")
    assert any("X hopper" in row for row in screen)
    assert any(row.startswith(" Unplugged: _") for row in screen)


def test_big_view_and_back() -> None:
    assert any("█" in row for row in pressed(MadeSession(shown=ONE_LOST), "b"))
    assert any(" Roll call " in row for row in pressed(MadeSession(shown=ONE_LOST), "b", "b"))


def test_leaving_ends_the_screen() -> None:
    async def do(app: IsolateApp, pilot: Pilot[None]) -> bool:
        await pilot.press("q")
        await pilot.pause()
        return app.state.leaving

    assert on_screen(MadeSession(shown=HEALTHY), do)


@pytest.mark.parametrize("key", ["ctrl+c", "ctrl+q"])
def test_the_usual_ways_out_ask_as_well(key: str) -> None:
    async def do(app: IsolateApp, pilot: Pilot[None]) -> tuple[str | None, bool]:
        await pilot.press(key)
        await pilot.pause()
        return app.state.page, app.state.leaving

    assert on_screen(MadeSession(shown=ONE_LOST), do) == ("leave", False)


def test_the_bell_rings_for_a_loss() -> None:
    session, clock = MadeSession(shown=HEALTHY), HandClock()

    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[str]:
        rung: list[str] = []
        app.bell = lambda: rung.append("bell")  # type: ignore[method-assign]  # the terminal's, not ours
        session.happen(HappeningKind.LOST, "hopper lost", "hopper")
        for _ in range(100):
            clock.now_s += 0.05
            app.tick()
        return rung

    assert on_screen(session, do, clock=clock, quiet=False) == ["bell"]


def test_others_are_told_what_happens() -> None:
    session = MadeSession(shown=HEALTHY)
    told: list[str] = []

    async def run() -> None:
        app = IsolateApp(session, tell=lambda one: told.append(one.text), ticking=False)
        async with app.run_test() as pilot:
            session.happen(HappeningKind.LOST, "hopper lost", "hopper")
            app.tick()
            app.tick()
            await pilot.pause()

    asyncio.run(run())
    assert told == ["hopper lost"]


def test_without_a_terminal_the_way_out_is_told() -> None:
    code = (
        "from busdoc.errors import InputError\n"
        "from busdoc.screen.app import run_screen\n"
        "try:\n    run_screen(None, quiet=True, on_event=None)\n"
        "except InputError as error:\n    print(error)\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=True)
    assert ended.stdout == (
        "the screen: expected a terminal, found a pipe or a file. Add --plain for the session line by line.\n"
    )


def test_only_rows_that_changed_are_painted_again() -> None:
    session, clock = MadeSession(shown=HEALTHY), HandClock()

    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[int]:
        painted: list[int] = []
        roll = app.query_one("#roll", Area)
        plain_render = roll.render_line

        def paint(y: int) -> Strip:
            painted.append(y)
            return plain_render(y)

        roll.render_line = paint  # type: ignore[method-assign]
        session.shown = with_controllers(HEALTHY, controller("hopper", since_s=9.0, dropouts=1))
        clock.now_s += 1.0
        app.tick()
        await pilot.pause()
        return painted

    assert on_screen(session, do, clock=clock) == [6]


@pytest.mark.parametrize("size", [(80, 24), (160, 50), (60, 16), (59, 15), (40, 12), (20, 6), (8, 4), (200, 8)])
def test_any_size_shows_something_and_breaks_nothing(size: tuple[int, int]) -> None:
    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[str]:
        for key in ("u", "escape", "b", "b", "h", "escape", "tab", "tab", "tab", "tab", "tab"):
            await pilot.press(key)
        await pilot.pause()
        return text_of(app)

    assert "".join(on_screen(MadeSession(shown=SEVERAL_LOST), do, size=size)).strip()


def test_a_screen_that_is_made_larger_shows_more() -> None:
    async def do(app: IsolateApp, pilot: Pilot[None]) -> tuple[list[str], list[str]]:
        before = text_of(app)
        await pilot.resize_terminal(*LARGE)
        await pilot.pause()
        return before, text_of(app)

    before, after = on_screen(MadeSession(shown=ONE_LOST), do)
    assert len(" ".join(after).split()) > len(" ".join(before).split())
    assert (max(map(len, before)), max(map(len, after))) == (SMALL[0], LARGE[0])  # at once, not with the next second


def test_without_colours_nothing_is_coloured_and_a_loss_still_stands_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def do(app: IsolateApp, pilot: Pilot[None]) -> tuple[set[str], list[str]]:
        segments = [segment for strip in app.screen._compositor.render_strips() for segment in strip]
        colours = {segment.style.color for segment in segments if segment.style and segment.style.color}
        colours |= {segment.style.bgcolor for segment in segments if segment.style and segment.style.bgcolor}
        names = {colour.name for colour in colours}
        return names, [segment.text.strip() for segment in segments if segment.style and segment.style.reverse]

    colours, reversed_texts = on_screen(MadeSession(shown=ONE_LOST), do)
    assert colours <= {"default"}
    assert "LOST" in reversed_texts
    assert any("Switch the machine off" in text for text in reversed_texts)
