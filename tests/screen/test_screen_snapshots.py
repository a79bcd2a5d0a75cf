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
from busdoc.live.view import SessionView
from busdoc.screen.app import IsolateApp
from tests.screen.made_views import (
    HEALTHY,
    ONE_LOST,
    SEVERAL_LOST,
    SWEEPER_TREE,
    WATCHED,
    MadeSession,
    bus,
    controller,
    part,
    power_seen,
)
from tests.screen.piloted import LARGE, SMALL, on_screen, text_of

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
def test_the_screen_at_80_by_24(state: str) -> None:
    compare(f"{state}-80x24", shown(*STATES[state], SMALL))


@pytest.mark.parametrize("state", ["one-lost", "watching", "big", "many"])
def test_the_screen_at_160_by_50(state: str) -> None:
    compare(f"{state}-160x50", shown(*STATES[state], LARGE))


@pytest.mark.parametrize("state", ["one-lost", "big"])
def test_without_colours_the_text_is_the_same(state: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    compare(f"{state}-80x24", shown(*STATES[state], SMALL))
