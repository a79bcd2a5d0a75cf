"""The screen as text, against stored pictures; each protects what its name says.

After a change that is meant, `RENEW_SNAPSHOTS=1 pytest tests/screen` writes them anew; read the difference.
"""

import os
from dataclasses import replace
from pathlib import Path

import pytest
from textual.pilot import Pilot

from busdoc.capture.listening import Hearing
from busdoc.health.controller import ControllerState
from busdoc.live.view import SessionView, SilenceRow, Watching
from busdoc.screen.app import IsolateApp
from busdoc.screen.drawing.words import step_cautions
from tests.screen.made_views import (
    HEALTHY,
    NOW_NS,
    ONE_LOST,
    SEVERAL_LOST,
    SWEEPER_TREE,
    UNPLUG_ALL,
    WATCHED,
    MadeSession,
    S,
    bus,
    controller,
    part,
    power_seen,
)
from tests.screen.piloted import LARGE, SMALL, on_screen, text_of

MIDDLE = (100, 36)
STORED = Path(__file__).parent / "snapshots"

CARRIER = replace(
    HEALTHY,
    machine_name="Straddle carrier",
    controllers=tuple(
        controller(
            f"wheel-{side}-{n}-steering-controller",
            ControllerState.LOST if (side, n) == ("right", 3) else ControllerState.STEADY,
            since_s=166.0,
        )
        for side in ("left", "right")
        for n in range(1, 9)
    ),
    harness=(*SWEEPER_TREE, part("wheel-right-3-steering-angle-harness", "harness", 3, label=20, probability=0.61)),
)
"""16 controllers and more than 20 parts, with long names."""

CURED = "Repair proved: gate-angle was replaced, and quiet for 25 s since (25 s prove it with 95 %)."
PROVING = Watching(since_ns=NOW_NS - 10 * S, clear_at_ns=NOW_NS + 15 * S, parts=("gate-angle",), proves=True)
AWAY = bus(Hearing.ADAPTER_LOST, since_s=171.0, note="tried again in 4 s")

STATES: dict[str, tuple[SessionView, list[str]]] = {
    "healthy": (HEALTHY, []),
    "one-lost": (ONE_LOST, []),
    "several-lost": (SEVERAL_LOST, []),
    "unplug": (ONE_LOST, ["u"]),
    "watching": (WATCHED, []),
    "big": (ONE_LOST, ["b"]),
    "help": (ONE_LOST, ["h"]),
    "check": (ONE_LOST, ["k"]),
    "labels": (HEALTHY, ["l"]),
    "asked": (replace(ONE_LOST, proposals=(power_seen(),)), []),
    "disk-full": (replace(ONE_LOST, trouble="The disk is full: nothing more is recorded. Free some room."), ["space"]),
    "adapter-lost": (replace(HEALTHY, buses=(AWAY,)), []),
    "over": (replace(ONE_LOST, buses=(bus(Hearing.ENDED),), finished=True), []),
    "many": (CARRIER, []),
    "nobody-heard": (replace(HEALTHY, silence=SilenceRow(since_ns=NOW_NS - 6 * S, ended_ns=None, asked=True)), []),
    "ran-on": (
        replace(HEALTHY, silence=SilenceRow(since_ns=NOW_NS - 20 * S, ended_ns=NOW_NS - 8 * S, asked=True)),
        [],
    ),
    "hands-out": (replace(ONE_LOST, alarm="THE MACHINE IS ON: frames from engine, steering. Hands out"), []),
    "hold": (replace(ONE_LOST, next=replace(UNPLUG_ALL, step=3, hold_until_ns=NOW_NS + 7 * S)), []),
    "proving": (replace(WATCHED, next=None, watching=PROVING), []),
    "cured": (replace(HEALTHY, cured=CURED, headline=f"Hopper fell twice in 4 min. {CURED}", not_back=()), []),
    "cured-not-back": (replace(HEALTHY, cured=CURED, not_back=("harness-D is still unplugged",)), []),
    "cured-big": (replace(HEALTHY, cured=CURED, not_back=()), ["b"]),
    "practice": (replace(ONE_LOST, practice=True), []),
    "what-was-done": (ONE_LOST, ["j"]),
    "without-map": (replace(HEALTHY, harness=(), guided=True, machine_name=""), ["u", "l", "e", "f", "t"]),
}


def compare(name: str, lines: list[str]) -> None:
    path = STORED / f"{name}.txt"
    text = "\n".join(lines) + "\n"
    if os.environ.get("RENEW_SNAPSHOTS"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    assert text == path.read_text(encoding="utf-8")


def shown(view: SessionView, keys: list[str], size: tuple[int, int]) -> list[str]:
    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[str]:
        if keys:
            await pilot.press(*keys)
        await pilot.pause()
        return text_of(app)

    return on_screen(MadeSession(shown=view), do, size=size)


@pytest.mark.parametrize("state", sorted(STATES))
def test_the_screen_in_three_sizes(state: str) -> None:
    view, keys = STATES[state]

    async def do(app: IsolateApp, pilot: Pilot[None]) -> list[list[str]]:
        if keys:
            await pilot.press(*keys)
        taken = []
        for size in (SMALL, MIDDLE, LARGE):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            taken.append(text_of(app))
        return taken

    taken = on_screen(MadeSession(shown=view), do, size=SMALL)
    for (width, height), lines in zip((SMALL, MIDDLE, LARGE), taken, strict=True):
        compare(f"{state}-{width}x{height}", lines)


@pytest.mark.parametrize("state", ["one-lost", "big"])
def test_without_colours_the_text_is_the_same(state: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    compare(f"{state}-80x24", shown(*STATES[state], SMALL))


PAGES = {"h", "k", "l", "j"}
"""Keys of pages that stand in front of the step."""


@pytest.mark.parametrize("state", [name for name, (view, keys) in STATES.items() if view.next and not PAGES & {*keys}])
@pytest.mark.parametrize("size", [SMALL, MIDDLE, LARGE])
def test_no_state_cuts_a_caution(state: str, size: tuple[int, int]) -> None:
    """In none of the stored pictures, the big view and an open question among them."""
    view, _ = STATES[state]
    lines = (STORED / f"{state}-{size[0]}x{size[1]}.txt").read_text(encoding="utf-8").splitlines()
    shown_text = " ".join(" ".join(line.rpartition("│")[2] for line in lines).split())
    assert view.next is not None
    assert all(f"! {caution}" in shown_text for caution in step_cautions(view.next))
