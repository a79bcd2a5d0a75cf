"""The complaint on the screen: its word, since when, how often, how it goes; and its own strip."""

from dataclasses import replace
from datetime import UTC

import pytest

from busdoc.live.view import ComplaintRow, Watching
from busdoc.screen.areas.big_view import draw_big
from busdoc.screen.areas.complaint import complaint_state, draw_complaint
from busdoc.screen.areas.head import draw_hints
from busdoc.screen.areas.next_step import said_without_step
from busdoc.screen.drawing.lines import plain, width_of
from busdoc.screen.drawing.styles import Tone
from busdoc.symptoms.looks import Asked
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


def test_a_look_that_is_asked_for_stands_before_all_else_and_in_place_of_hands_off() -> None:
    asked = replace(row(), name="what was seen", asked=Asked.AGAIN)
    view = replace(HEALTHY, complaint=asked, next=None, watching=Watching(since_ns=NOW_NS, clear_at_ns=None, parts=()))
    said = plain(draw_complaint(view, 80, UTC, label=20, length_s=120, back_ns=0)[0])
    assert said.startswith(" SHOWING what was seen · Look again: f it shows, g gone · since ")
    assert said_without_step(view, "") == (["Hands off, and look again: does it show?"], Tone.STRONG)
    assert said_without_step(replace(view, complaint=row()), "")[0] == ["Hands off, and watch."]
    never = replace(row(showing=False, seen=False), asked=Asked.LOOK)
    assert complaint_state(never)[0] == "nobody has looked at"


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


def test_where_nothing_is_heard_the_keys_of_what_is_seen_come_first() -> None:
    assert "f it shows" in plain(draw_hints(replace(HEALTHY, buses=()), 80))
    assert "f it shows" not in plain(draw_hints(HEALTHY, 80))


def test_without_a_complaint_there_is_no_line() -> None:
    assert draw_complaint(HEALTHY, 80, UTC, label=20, length_s=120, back_ns=0) == []


def test_from_three_metres_the_complaint_comes_first() -> None:
    blocks = draw_big(replace(HEALTHY, complaint=row()), 160, 50)
    usual = draw_big(HEALTHY, 160, 50)
    assert [plain(line) for line in blocks] != [plain(line) for line in usual]
