"""The complaint on the screen: its word, since when, how often, how it goes; and its own strip."""

from dataclasses import replace
from datetime import UTC

import pytest

from busdoc.live.view import ComplaintRow
from busdoc.screen.areas.big_view import draw_big
from busdoc.screen.areas.complaint import complaint_state, draw_complaint
from busdoc.screen.drawing.lines import plain, width_of
from tests.screen.made_views import HEALTHY

S = 1_000_000_000
NOW_NS = HEALTHY.now_ns


def row(*, showing: bool = True, seen: bool = True) -> ComplaintRow:
    return ComplaintRow(
        name="SPN 3509 FMI 4 of hopper",
        showing=showing,
        seen=seen,
        since_ns=NOW_NS - 34 * S,
        n_came=3,
        own_count=7,
        goes="stays until the power is cycled",
        spans=((NOW_NS - 34 * S, NOW_NS),) if showing else ((NOW_NS - 60 * S, NOW_NS - 34 * S),),
        observable=((NOW_NS - 90 * S, NOW_NS),),
    )


@pytest.mark.parametrize(
    ("showing", "seen", "word"),
    [(True, True, "SHOWING"), (False, True, "not showing"), (False, False, "cannot be seen now")],
)
def test_it_shows_or_not_or_cannot_be_seen(*, showing: bool, seen: bool, word: str) -> None:
    assert complaint_state(row(showing=showing, seen=seen))[0] == word


@pytest.mark.parametrize("width", [40, 80, 160])
def test_its_lines_fill_the_width_and_tell_how_often(width: int) -> None:
    view = replace(HEALTHY, complaint=row())
    lines = draw_complaint(view, width, UTC, label=20, length_s=120, back_ns=0)
    assert [width_of(line) for line in lines] == [width, width]
    if width == 160:
        said = plain(lines[0])
        assert "SHOWING SPN 3509 FMI 4 of hopper since" in said
        assert "(34 s); came 3 times, its own count 7, stays until the power is cycled" in said


def test_its_strip_shows_when_it_showed_and_when_nobody_could_see() -> None:
    view = replace(HEALTHY, complaint=row())
    strip = plain(draw_complaint(view, 142, UTC, label=20, length_s=120, back_ns=0)[1])[21:141]
    assert strip.count("█") == pytest.approx(34, abs=1)
    assert strip.count("·") == pytest.approx(90 - 34, abs=2)
    assert strip.startswith(" ")
    assert strip.rstrip().endswith("█")


def test_without_a_complaint_there_is_no_line() -> None:
    assert draw_complaint(HEALTHY, 80, UTC, label=20, length_s=120, back_ns=0) == []


def test_from_three_metres_the_complaint_comes_first() -> None:
    blocks = draw_big(replace(HEALTHY, complaint=row()), 160, 50)
    usual = draw_big(HEALTHY, 160, 50)
    assert [plain(line) for line in blocks] != [plain(line) for line in usual]
