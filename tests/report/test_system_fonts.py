"""Letters that the record's font lacks come from another font; checked with the fonts that matplotlib brings."""

from pathlib import Path

import matplotlib as mpl

from busdoc.report.record.page import Items, Text
from busdoc.report.record.system_fonts import fonts_for, letters_of

FONTS = Path(mpl.get_data_path()) / "fonts" / "ttf"
OWN = FONTS / "DejaVuSansMono.ttf"
TIFINAGH = "\N{TIFINAGH LETTER YA}"
"""DejaVu Sans draws Tifinagh and DejaVu Sans Mono does not (its own coverage table, status.txt)."""


def test_no_font_is_looked_for_where_the_own_one_suffices() -> None:
    assert fonts_for("Straße Ångström", OWN, candidates=[FONTS / "DejaVuSans.ttf"]) == ()


def test_the_font_that_draws_a_missing_letter_is_taken() -> None:
    candidates = [FONTS / "cmr10.ttf", FONTS / "DejaVuSans.ttf"]
    assert fonts_for(TIFINAGH, OWN, candidates) == (FONTS / "DejaVuSans.ttf",)


def test_a_letter_that_no_font_draws_needs_none_and_a_broken_file_ends_nothing(tmp_path: Path) -> None:
    broken = tmp_path / "broken.ttf"
    broken.write_bytes(b"\0\1\0\0 not a font")
    assert fonts_for("\U00013000", OWN, [broken, tmp_path / "gone.ttf", FONTS / "cmr10.ttf"]) == ()


def test_letters_are_gathered_from_every_text_of_a_record() -> None:
    assert letters_of([Text(text="ab c"), Items(items=("de", "f"))]) >= set("abcdef")
