"""Colours say again what words and marks say, to every kind of colour vision, in the dark and in the sun."""

import numpy as np
import pytest
from rich.style import Style

from busdoc.arrays import Float64Array
from busdoc.screen.drawing.styles import DAY, NIGHT, Tone

PAPERS = {"night": (NIGHT, "#101010"), "day": (DAY, "#ffffff")}

# Machado, Oliveira & Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE
# Transactions on Visualization and Computer Graphics 15 (2009), severity 1.0; on linear RGB.
VISION = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def linear(colour: str) -> Float64Array:
    """Give a colour as linear RGB (IEC 61966-2-1)."""
    rgb = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lightness_and_hue(rgb: Float64Array) -> Float64Array:
    """Give linear RGB as CIE 1976 L*a*b* for the white D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0, 1)
    ratio = xyz / np.array([0.95047, 1.0, 1.08883])
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def contrast(one: str, other: str) -> float:
    """Give the contrast ratio of WCAG 2.1."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    high, low = sorted((float(weights @ linear(one)), float(weights @ linear(other))), reverse=True)
    return (high + 0.05) / (low + 0.05)


def ink(style: Style) -> str:
    assert style.color is not None
    return style.color.get_truecolor().hex


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("tone", Tone)
def test_every_tone_can_be_read(paper: str, tone: Tone) -> None:
    styles, background = PAPERS[paper]
    assert contrast(ink(styles[tone]), background) >= 4.5  # WCAG 2.1, 1.4.3


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize(("one", "other"), [(Tone.GOOD, Tone.BAD), (Tone.GOOD, Tone.WARN)])
def test_good_and_bad_look_apart_to_every_kind_of_colour_vision(
    paper: str, vision: str, one: Tone, other: Tone
) -> None:
    styles, _ = PAPERS[paper]
    seen = [lightness_and_hue(np.array(VISION[vision]) @ linear(ink(styles[tone]))) for tone in (one, other)]
    assert float(np.linalg.norm(seen[0] - seen[1])) > 20.0  # CIE 1976; 2.3 is just noticeable


@pytest.mark.parametrize("paper", PAPERS)
def test_what_must_not_be_missed_is_reversed(paper: str) -> None:
    styles, _ = PAPERS[paper]
    assert styles[Tone.ALARM].reverse
    assert styles[Tone.DO].reverse
    assert not any(styles[tone].reverse for tone in Tone if tone not in (Tone.ALARM, Tone.DO))
