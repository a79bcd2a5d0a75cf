"""The page's colours are those of the screen, and can be read (WCAG 2.2, 1.4.3 and 1.4.11)."""

import re
from importlib import resources

import pytest

from busdoc.screen.drawing.styles import DAY, NIGHT, Tone

CSS = (resources.files("busdoc.page") / "static" / "page.css").read_text(encoding="utf-8")


def colours(selector: str) -> dict[str, str]:
    body = re.search(re.escape(selector) + r" \{([^}]*)\}", CSS)
    assert body is not None
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", body.group(1)))


SCHEMES = {"day": (colours(":root"), DAY), "night": (colours(":root.night"), NIGHT)}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, its definition)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_worked_examples() -> None:
    """Black on white is 21 : 1 by the definition; #767676 on white is the lightest grey with 4.5 : 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", sorted(SCHEMES))
@pytest.mark.parametrize("tone", ["faint", "good", "bad", "alarm", "warn", "aside", "do"])
def test_a_colour_is_that_of_the_screen_and_stands_out(scheme: str, tone: str) -> None:
    found, styles = SCHEMES[scheme]
    colour = styles[Tone(tone)].color
    assert colour is not None
    assert found[tone] == colour.name
    assert contrast(found[tone], found["paper"]) >= 4.5


@pytest.mark.parametrize("scheme", sorted(SCHEMES))
def test_edges_and_reversed_texts_stand_out(scheme: str) -> None:
    found, _ = SCHEMES[scheme]
    assert contrast(found["line"], found["paper"]) >= 3.0
    assert contrast(found["on-colour"], found["bad"]) >= 4.5
    assert contrast(found["on-colour"], found["alarm"]) >= 4.5
    assert contrast(found["ink"], found["paper"]) >= 7.0


def test_a_phone_that_is_dark_by_itself_has_the_same_colours_as_one_that_is_told() -> None:
    assert colours(":root:not(.day)") == colours(":root.night")
