"""Tones: what a piece of text means, and the colours that say so a third time, after the word and the mark.

Hues are those of Okabe & Ito ("Color Universal Design", 2008), chosen to stay apart for every kind of colour vision; on
white they are darkened to a contrast of 4.5 : 1 or more (WCAG 2.1, 1.4.3). What must not be missed is bold and reversed
as well, and so still stands out where there is no colour at all.
"""

from collections.abc import Mapping
from enum import StrEnum

from rich.style import Style

__all__ = ["DAY", "NIGHT", "Tone"]


class Tone(StrEnum):
    """What a piece of text means."""

    PLAIN = "plain"
    STRONG = "strong"
    FAINT = "faint"
    TITLE = "title"
    GOOD = "good"
    BAD = "bad"
    ALARM = "alarm"
    """Cannot be missed: reversed."""
    WARN = "warn"
    ASIDE = "aside"
    """Away because of what was done: no fault."""
    DO = "do"
    """The thing to do now: reversed."""
    KEY = "key"


def _styles(colours: Mapping[Tone, str], ink: str, paper: str) -> dict[Tone, Style]:
    styles = {tone: Style(color=colours.get(tone, ink)) for tone in Tone}
    for tone in (Tone.STRONG, Tone.TITLE, Tone.BAD, Tone.WARN, Tone.KEY):
        styles[tone] += Style(bold=True)
    for tone in (Tone.ALARM, Tone.DO):  # reversed rather than a background: it stays where colours are taken away
        styles[tone] = Style(color=colours[tone], bgcolor=paper, bold=True, reverse=True)
    return styles


NIGHT = _styles(
    {
        Tone.FAINT: "#a0a0a0",
        Tone.TITLE: "#ffffff",
        Tone.STRONG: "#ffffff",
        Tone.GOOD: "#56b4e9",
        Tone.BAD: "#ff8a3c",
        Tone.ALARM: "#ff8a3c",
        Tone.WARN: "#f0e442",
        Tone.ASIDE: "#cc9fc0",
        Tone.DO: "#ffffff",
        Tone.KEY: "#ffffff",
    },
    "#dcdcdc",
    "#101010",
)
"""On black."""

DAY = _styles(
    {
        Tone.FAINT: "#595959",
        Tone.GOOD: "#005a8f",
        Tone.BAD: "#a83e00",
        Tone.ALARM: "#a83e00",
        Tone.WARN: "#7a5200",
        Tone.ASIDE: "#8a3f73",
        Tone.DO: "#000000",
    },
    "#000000",
    "#ffffff",
)
"""On white, for sunlight."""
