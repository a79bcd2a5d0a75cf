"""Lines break between words, never between a number and its unit (SI Brochure 5.4.3: the two belong together)."""

from hypothesis import given
from hypothesis import strategies as st

from busdoc.report.terminal.resync import changes_text
from busdoc.report.terminal.wrapping import filled
from busdoc.resync_check.changes import Change, ChangeKind


def test_a_number_stays_with_its_unit() -> None:
    for width in range(12, 60):
        lines = filled("Trouble within 18 s: it is harness-2 (98 %), after 4 min of 27.3 V.", width).splitlines()
        assert not any(line.endswith(("18", "98", "(98", "4", "27.3")) for line in lines)


def test_the_name_of_a_part_stays_whole() -> None:
    assert "gate-angle" in filled("most likely rear-trunk or gate-angle", 30)


@given(text=st.text(alphabet="ab 1%s", max_size=80), width=st.integers(10, 40))
def test_no_word_is_lost(text: str, width: int) -> None:
    assert "".join(filled(text, width).split()) == "".join(text.split())


def test_what_changed_since_the_baseline_keeps_a_number_with_its_unit() -> None:
    slower = Change(kind=ChangeKind.SLOWER, text="hopper was back after 12.3 s, usually after 2.5 s")
    for width in range(20, 60):
        lines = changes_text([slower], width).splitlines()
        assert not [line for line in lines if line.endswith(("12.3", "2.5"))]
