"""How a controller's state is told: a mark, a word, a stroke of the strip; the tone only says it again."""

from dataclasses import dataclass

from busdoc.health.controller import ControllerState
from busdoc.live.resync.news import NewsKind
from busdoc.live.view import ControllerRow
from busdoc.screen.drawing.styles import Tone

__all__ = ["NEWS_SIGNS", "NOT_HEARD", "OFF", "STATES", "Sign", "sign_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """How one state is told."""

    mark: str
    word: str
    stroke: str
    tone: Tone


STATES = {
    ControllerState.STEADY: Sign(mark="■", word="steady", stroke="━", tone=Tone.GOOD),
    ControllerState.STARTING: Sign(mark="►", word="starting", stroke="┅", tone=Tone.WARN),
    ControllerState.LATE: Sign(mark="▼", word="late", stroke="~", tone=Tone.WARN),
    ControllerState.LOST: Sign(mark="X", word="LOST", stroke="×", tone=Tone.BAD),
    ControllerState.RESTARTING: Sign(mark="R", word="restarts", stroke="╍", tone=Tone.BAD),
    ControllerState.OFF: Sign(mark="◌", word="went off", stroke="-", tone=Tone.ASIDE),
    ControllerState.NOT_JUDGED: Sign(mark="~", word="unjudged", stroke="─", tone=Tone.FAINT),
    ControllerState.NEVER_SEEN: Sign(mark="?", word="not seen", stroke=" ", tone=Tone.WARN),
}

OFF = Sign(mark="○", word="off", stroke="·", tone=Tone.ASIDE)
"""Away because of what was done."""

NOT_HEARD = Sign(mark="?", word="not heard", stroke="?", tone=Tone.FAINT)
"""A stretch that the laptop itself did not hear."""


NEWS_SIGNS = {
    NewsKind.HOME: STATES[ControllerState.STEADY],
    NewsKind.ALL_HOME: STATES[ControllerState.STEADY],
    NewsKind.LATE: STATES[ControllerState.LATE],
    NewsKind.RESTARTED: STATES[ControllerState.RESTARTING],
    NewsKind.FELL: STATES[ControllerState.LOST],
    NewsKind.OFF_AGAIN: OFF,
}
"""How news of a return that is followed live is told."""


def sign_of(row: ControllerRow) -> Sign:
    """Give the sign of a controller as it is now."""
    away = row.state in (ControllerState.LOST, ControllerState.NEVER_SEEN)
    return OFF if row.expected_off and away else STATES[row.state]
