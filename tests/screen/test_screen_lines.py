"""Lines fit their width to the cell, whatever the names are made of, and never cut a word that could stay whole."""

from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from busdoc.screen.drawing.lines import fit, line_of, pad, plain, shorten, width_of, wrap
from busdoc.screen.drawing.styles import Tone
from busdoc.words.printable import printable

TEXTS = st.text(max_size=60)
WIDTHS = st.integers(1, 50)


@given(text=TEXTS, width=WIDTHS)
@settings(max_examples=150)
def test_a_shortened_name_never_exceeds_its_width(text: str, width: int) -> None:
    assert cell_len(shorten(text, width)) <= width


@given(text=TEXTS, width=WIDTHS)
@settings(max_examples=150)
def test_a_padded_name_has_exactly_its_width(text: str, width: int) -> None:
    assert cell_len(pad(text, width)) == width


@given(pieces=st.lists(TEXTS, max_size=4), width=WIDTHS)
@settings(max_examples=150)
def test_a_fitted_line_has_exactly_its_width(pieces: list[str], width: int) -> None:
    assert width_of(fit(line_of(*map(printable, pieces)), width)) == width


@given(text=TEXTS, width=st.integers(4, 50), most=st.integers(1, 4))
@settings(max_examples=150)
def test_wrapped_text_keeps_to_its_lines(text: str, width: int, most: int) -> None:
    assert len(wrap(text, width, most=most)) <= most


@given(text=TEXTS)
@settings(max_examples=150)
def test_no_name_moves_the_cursor(text: str) -> None:
    assert all(letter.isprintable() or letter.isspace() or ord(letter) > 0x9F for letter in printable(text))
    assert "\x1b" not in printable(text)
    assert "\n" not in printable(text)


def test_a_long_name_keeps_its_beginning_and_its_end() -> None:
    assert shorten("rear-left-broom-harness-A", 13) == "rear-l…ness-A"


def test_a_line_that_is_too_long_ends_after_a_whole_word() -> None:
    assert plain(fit(line_of("SPN 3509 FMI 4, sensor supply low"), 16)) == "SPN 3509 FMI 4… "


def test_a_long_word_is_cut_rather_than_left_out() -> None:
    assert plain(fit(line_of("1 min", "  HopperStatus.State=FAULT"), 18)) == "1 min  HopperStat…"


def test_fitting_keeps_the_tones_of_what_stays() -> None:
    line = fit(line_of(("LOST", Tone.ALARM), "  since long ago"), 10)
    assert line[0] == ("LOST", Tone.ALARM)
