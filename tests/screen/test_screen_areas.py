"""What the areas draw: every state by word and mark, every absence however short, in any size."""

from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.listening import Hearing
from busdoc.health.controller import ControllerState
from busdoc.isolation.verdict import Suspect
from busdoc.live.view import Happening, HappeningKind, SessionView
from busdoc.screen.areas.big_view import draw_big, in_question, state_in_short
from busdoc.screen.areas.harness import draw_harness
from busdoc.screen.areas.head import draw_head, draw_hints, draw_message, draw_offer, draw_troubles
from busdoc.screen.areas.next_step import draw_next
from busdoc.screen.areas.pages import Page, draw_page
from busdoc.screen.areas.roll_call import draw_roll
from busdoc.screen.areas.strip import draw_presence, window_at
from busdoc.screen.drawing.lines import Line, plain, width_of
from busdoc.screen.drawing.states import OFF, STATES
from busdoc.screen.drawing.styles import Tone
from busdoc.screen.drawing.words import verdict_in_short
from tests.screen.made_views import (
    HEALTHY,
    NOW_NS,
    ONE_LOST,
    SEVERAL_LOST,
    START_NS,
    UNPLUG_ALL,
    WATCHED,
    S,
    bus,
    controller,
    part,
    power_seen,
    suspect,
    with_controllers,
    with_parts,
)

VIEWS = {"healthy": HEALTHY, "one lost": ONE_LOST, "several lost": SEVERAL_LOST, "watched": WATCHED}


def texts(lines: list[Line]) -> list[str]:
    return [plain(line).rstrip() for line in lines]


def everything(view: SessionView, width: int, height: int) -> dict[str, list[Line]]:
    return {
        "roll": draw_roll(view, width, height, 0),
        "strip": draw_presence(view, width, height, 0, 120, 0),
        "harness": draw_harness(view, width, height, 0),
        "next": draw_next(view, width, height),
        "big": draw_big(view, width, height),
        **{page: draw_page(page, view, width, height) for page in Page},
    }


@given(width=st.integers(12, 200), height=st.integers(3, 60), name=st.sampled_from(sorted(VIEWS)))
@settings(max_examples=60)
def test_every_area_fills_its_place_to_the_cell(width: int, height: int, name: str) -> None:
    for area, lines in everything(VIEWS[name], width, height).items():
        assert len(lines) == height, area
        assert {width_of(line) for line in lines} == {width}, area


def test_no_two_states_share_a_word_or_a_mark() -> None:
    signs = [*STATES.values(), OFF]
    assert len({sign.word for sign in signs}) == len(signs)
    assert len({sign.mark for sign in signs}) == len(signs)


def test_no_two_states_share_a_stroke_of_the_strip() -> None:
    strokes = [sign.stroke for sign in (*STATES.values(), OFF)] + ["╌", "?"]
    assert len(set(strokes)) == len(strokes)


def test_a_lost_controller_says_so_with_its_fault_and_since_when() -> None:
    row = next(text for text in texts(draw_roll(ONE_LOST, 80, 12, 0)) if "hopper" in text)
    assert row.split("  ")[0].strip() == "X hopper"
    assert "LOST" in row
    assert "12 s" in row
    assert row.endswith("SPN 3509 FMI 4, sensor supply 1 low")


def test_while_the_adapter_is_away_nobody_is_called_steady() -> None:
    away = replace(HEALTHY, buses=(bus(Hearing.ADAPTER_LOST),))
    assert texts(draw_roll(away, 80, 12, 0))[0].startswith(" Roll call as last heard ")


def test_before_anybody_is_heard_nobody_is_counted_as_steady() -> None:
    assert state_in_short(replace(HEALTHY, controllers=())) == ("nobody heard", Tone.ASIDE)


def test_long_names_stay_apart() -> None:
    names = [f"wheel-{side}-{n}-steering-controller" for side in ("left", "right") for n in range(1, 9)]
    view = replace(HEALTHY, controllers=tuple(controller(name) for name in names))
    rows = [text.split()[1] for text in texts(draw_roll(view, 48, 30, 0))[1:17]]
    assert len(set(rows)) == 16


def test_one_that_was_switched_off_is_not_called_lost() -> None:
    row = next(text for text in texts(draw_roll(SEVERAL_LOST, 80, 12, 0)) if "water" in text)
    assert "○ water" in row
    assert " off " in row
    assert "LOST" not in row


def test_the_title_counts_who_is_steady_and_who_is_lost() -> None:
    assert texts(draw_roll(SEVERAL_LOST, 80, 12, 0))[0].startswith(" Roll call 2 of 8 steady, 3 LOST")


def test_a_loss_out_of_sight_is_named() -> None:
    assert " ▼ 6 more below, LOST: hopper" in texts(draw_roll(ONE_LOST, 80, 5, 0))


def test_rows_of_the_strip_stand_beside_those_of_the_roll_call() -> None:
    roll, strip = texts(draw_roll(ONE_LOST, 50, 12, 2)), texts(draw_presence(ONE_LOST, 41, 12, 2, 120, 0))
    row = next(k for k, text in enumerate(roll) if "hopper" in text)
    assert "×" in strip[row]
    assert all("×" not in text for k, text in enumerate(strip) if k != row)


def test_an_absence_shorter_than_a_column_still_shows() -> None:
    blink = controller(
        "hopper",
        spans=(
            (0.0, 100.0, ControllerState.STEADY, False),
            (100.0, 100.2, ControllerState.LOST, False),
            (100.2, 180.0, ControllerState.STEADY, False),
        ),
    )
    strip = texts(draw_presence(with_controllers(HEALTHY, blink), 41, 12, 0, 120, 0))
    assert strip[6].count("╌") == 1
    assert strip[6].replace("╌", "━") == strip[1]


def test_what_was_not_heard_is_nobodys_absence() -> None:
    gone = controller(
        "hopper", spans=((0.0, 90.0, ControllerState.STEADY, False), (90.0, 180.0, ControllerState.LOST, False))
    )
    view = replace(with_controllers(HEALTHY, gone), gaps=((START_NS + 90 * S, NOW_NS),))
    assert "×" not in texts(draw_presence(view, 41, 12, 0, 120, 0))[6]
    assert texts(draw_presence(view, 41, 12, 0, 120, 0))[6].count("?") == 30


def test_a_planned_absence_and_a_loss_look_apart_without_colour() -> None:
    rows = texts(draw_presence(SEVERAL_LOST, 41, 12, 0, 120, 0))
    assert "·" in rows[5]
    assert "×" not in rows[5]
    assert "×" in rows[6]


def test_actions_stand_under_their_moments_as_the_letters_of_their_keys() -> None:
    marks = texts(draw_presence(ONE_LOST, 61, 12, 0, 120, 0))[-2]
    assert (marks.index("c"), marks.index("u")) == (0, 40)


def test_two_actions_of_one_moment_both_show() -> None:
    doubled = replace(ONE_LOST, actions=(*ONE_LOST.actions, replace(ONE_LOST.actions[1], n=3)))
    assert "uu" in texts(draw_presence(doubled, 61, 12, 0, 120, 0))[-2]


@given(now_s=st.integers(0, 10**6), columns=st.integers(1, 200), length_s=st.sampled_from([30, 120, 3600]))
@settings(max_examples=60)
def test_the_strip_always_holds_this_instant(now_s: int, columns: int, length_s: int) -> None:
    window = window_at(now_s * S, 0, length_s, columns)
    assert window.start_ns < now_s * S <= window.end_ns or now_s == 0
    assert window.end_ns % window.column_ns == 0


def test_the_harness_says_what_is_out_what_is_clear_and_what_is_suspect() -> None:
    rows = {text.split()[1]: text for text in texts(draw_harness(ONE_LOST, 60, 40, 0)) if text}
    assert "□ harness-D" in rows["harness-D"]
    assert "OUT" in rows["harness-D"]
    assert rows["harness-C"].endswith("clear")
    assert rows["gate-angle"].endswith("! 34 %")
    assert "#2" in rows["gate-angle"]


def test_a_part_without_power_is_told_from_one_that_is_out() -> None:
    rows = texts(draw_harness(with_parts(HEALTHY, part("fuse-3", "feed", 1, powered=False)), 60, 40, 0))
    assert next(text for text in rows if "fuse-3" in text).split() == ["○", "fuse-3", "off"]


def test_a_suspect_out_of_sight_is_named() -> None:
    assert "! harness-A, gate-angle" in texts(draw_harness(ONE_LOST, 60, 8, 0))[-1]


def test_next_shows_the_step_its_caution_and_the_verdict() -> None:
    rows = texts(draw_next(ONE_LOST, 42, 11))
    assert rows[1] == "   ► Switch the machine off"
    assert any(row.startswith("  ! Power off, and stored energy") for row in rows)
    assert any("hopper dropped off the bus 3 times" in row for row in rows)


def test_the_part_at_fault_is_named_however_long_the_headline() -> None:
    view = replace(ONE_LOST, suspects=(suspect("gate-angle", 0.97),), headline="They answer to this and to that. " * 9)
    for lines in (draw_next(view, 41, 10), draw_big(replace(view, next=None), 80, 21)):
        assert any("Part at fault: gate-angle (97 %)" in row for row in texts(lines))


def test_the_proof_is_said_once_where_it_stands_in_the_place_of_the_step() -> None:
    proof = "Repair proved: gate-angle was replaced."
    view = replace(WATCHED, next=None, watching=None, cured=proof, headline=f"Hopper dropped off. {proof}")
    assert " ".join(texts(draw_next(view, 60, 20))).count("Repair proved") == 1
    rest = replace(view, not_back=("plug harness-A in",))
    assert "Repair proved" in " ".join(texts(draw_next(rest, 60, 20)))


def test_without_a_culprit_the_likeliest_are_named() -> None:
    assert "  Suspects: gate-angle 34 %, harness-A 21 %" in texts(draw_next(ONE_LOST, 60, 11))


def test_next_counts_down_to_what_the_wait_will_clear() -> None:
    rows = texts(draw_next(WATCHED, 60, 11))
    assert any(row.strip().startswith("0:42") for row in rows)
    assert "  quiet so long clears harness-C, harness-D" in rows


def test_a_wait_that_would_take_days_is_not_counted_down() -> None:
    assert WATCHED.watching is not None
    view = replace(WATCHED, watching=replace(WATCHED.watching, clear_at_ns=None))
    assert any("No wait within days" in row for row in texts(draw_next(view, 70, 11)))


def test_what_happened_lately_shows_where_there_is_room() -> None:
    lately = (("07:16:48", Happening(n=1, time_ns=0, kind=HappeningKind.LOST, text="hopper lost")),)
    assert "  07:16:48 hopper lost" in texts(draw_next(ONE_LOST, 60, 20, lately))


@pytest.mark.parametrize("height", [3, 4, 5, 6])
def test_however_little_room_the_step_is_shown(height: int) -> None:
    assert "► Switch the machine off" in " ".join(texts(draw_next(ONE_LOST, 42, height)))


def test_the_controller_in_question_is_one_that_is_lost() -> None:
    row = in_question(replace(SEVERAL_LOST, focus="engine"))
    assert row is not None
    assert row.name == "hopper"


def test_the_big_view_grows_with_the_screen() -> None:
    small, large = draw_big(WATCHED, 80, 21), draw_big(WATCHED, 160, 47)
    assert sum("█" in plain(line) for line in large) > sum("█" in plain(line) for line in small)


def test_the_big_view_gives_up_letters_before_any_word_of_a_caution() -> None:
    cautions = tuple(f"Caution {n}: {'block the wheels and wait for the drum to stand still; ' * 2}" for n in range(6))
    assert ONE_LOST.next is not None
    test = replace(ONE_LOST.next.test, cautions=cautions)
    for width, height in ((80, 21), (80, 18), (160, 47)):
        lines = draw_big(replace(ONE_LOST, next=replace(ONE_LOST.next, test=test)), width, height)
        said = " ".join(" ".join(texts(lines)).split())
        assert all(f"! {' '.join(caution.split())}" in said for caution in cautions)
        assert len(lines) == height


def test_the_big_view_shows_a_name_that_is_too_long_in_part_rather_than_not_at_all() -> None:
    name = "rear-left-hydraulic-controller"
    view = replace(HEALTHY, controllers=(controller(name, ControllerState.LOST, since_s=170.0),))
    assert "█" in " ".join(texts(draw_big(view, 80, 21)))


def test_a_full_disk_is_the_line_that_cannot_be_missed() -> None:
    lines = draw_troubles(replace(HEALTHY, trouble="The disk is full: nothing more is recorded."), 80)
    assert plain(lines[0]).strip() == "!! The disk is full: nothing more is recorded."
    assert {tone for _, tone in lines[0]} == {"alarm"}


@pytest.mark.parametrize(
    ("hearing", "said"),
    [
        ("silent", "!! can0: no frame for 20 s"),
        ("adapter lost", "!! can0: adapter lost for 20 s (tried again in 4 s)"),
        ("overrun", "!! can0: the laptop does not keep up"),
    ],
)
def test_each_trouble_of_a_bus_has_its_words(hearing: str, said: str) -> None:
    note = "tried again in 4 s" if hearing == "adapter lost" else ""
    view = replace(HEALTHY, buses=(bus(Hearing(hearing), since_s=160.0, note=note),))
    assert texts(draw_troubles(view, 80)) == [f" {said}"]


def test_the_silence_of_a_machine_that_was_switched_off_is_no_trouble() -> None:
    rows = tuple(controller(one.name, ControllerState.LOST, expected_off=True) for one in HEALTHY.controllers)
    silent = replace(HEALTHY, buses=(bus(Hearing.SILENT, since_s=160.0),), controllers=rows)
    assert draw_troubles(silent, 80) == []


@pytest.mark.parametrize(("lost_s", "troubles"), [(100.0, 0), (160.0, 1)])
def test_who_was_lost_before_the_machine_was_switched_off_makes_its_silence_no_trouble(
    lost_s: float, troubles: int
) -> None:
    off = tuple(controller(one.name, ControllerState.LOST, expected_off=True) for one in HEALTHY.controllers[1:])
    lost = replace(controller("hopper", ControllerState.LOST), since_ns=HEALTHY.start_ns + round(lost_s * 1e9))
    silent = replace(HEALTHY, buses=(bus(Hearing.SILENT, since_s=160.0),), controllers=(lost, *off))
    assert len(draw_troubles(silent, 80)) == troubles


def test_a_healthy_bus_is_no_trouble() -> None:
    assert draw_troubles(HEALTHY, 80) == []


def test_why_nothing_was_logged_is_said_whole() -> None:
    why = "NOT LOGGED. monday/session.sqlite: expected room to write, found none. Free some room, and press again."
    lines = draw_message(why, Tone.ALARM, 80)
    assert " ".join(" ".join(texts(lines)).split()) == why
    assert {width_of(line) for line in lines} == {80}


def test_what_the_traffic_looks_like_is_asked_with_its_two_keys() -> None:
    (line,) = draw_offer(replace(HEALTHY, proposals=(power_seen(),)), 80, UTC, labels=False)
    said = " ".join(plain(line).split())
    assert said == "? 07:16:30 the traffic looks like switching fuse-3 off y yes n no"


def test_a_long_question_keeps_its_keys() -> None:
    proposal = replace(power_seen(), text="the traffic looks like switching fuse-3 off, or " * 3)
    (line,) = draw_offer(replace(HEALTHY, proposals=(proposal,)), 80, UTC, labels=False)
    assert plain(line).rstrip().endswith("y yes  n no")


def test_the_clock_stays_whatever_else_has_to_go() -> None:
    view = replace(HEALTHY, machine_name="Street sweeper of the eastern depot, number 7", recording="x" * 60)
    assert plain(draw_head(view, 40, None)).rstrip()[-8:].count(":") == 2


def test_hints_are_never_cut_in_the_middle() -> None:
    for width in range(10, 90):
        shown = plain(draw_hints(HEALTHY, width)).rstrip()
        assert plain(draw_hints(HEALTHY, 200)).startswith(shown)
        assert not shown or shown.split()[-1] in ["done", "unplug", "plug", "cycle", "undo", "big", "help", "leave"]


def test_help_fits_one_page_of_80_by_24() -> None:
    page = texts(draw_page(Page.HELP, HEALTHY, 80, 21))
    assert "more lines" not in page[0]
    assert not any("…" in text.replace(" …", "") for text in page)


def test_the_numbers_to_tape_on_are_listed_in_their_order() -> None:
    page = " ".join(texts(draw_page(Page.LABELS, ONE_LOST, 80, 21)))
    assert page.index("#1 harness-A") < page.index("#2 gate-angle") < page.index("#9 harness-D")


def test_the_check_names_what_is_not_back() -> None:
    assert " □ harness-D is unplugged; it belongs in hopper:D" in texts(draw_page(Page.CHECK, ONE_LOST, 80, 21))


def test_the_cautions_hold_the_machines_own_and_the_usual_ones() -> None:
    page = " ".join(texts(draw_page(Page.CAUTIONS, HEALTHY, 80, 21)))
    assert "Prop the hopper" in page
    assert "maker's manual" in page


def test_steps_that_follow_are_named_whole_or_not_at_all() -> None:
    for width in range(20, 120):
        rows = [row.strip() for row in texts(draw_next(ONE_LOST, width, 12))]
        after = next((k for k, row in enumerate(rows) if row.startswith("then ")), None)
        if after is None:
            continue
        said = " ".join(rows[after : after + 2]).split(" !")[0].removeprefix("then ")
        named = said.removesuffix(", …").split(", ")
        assert named == [text[:1].lower() + text[1:] for text in UNPLUG_ALL.steps_text[1 : 1 + len(named)]]


def test_two_faults_are_both_named() -> None:
    first, second, third = (
        Suspect(part=part, probability=share, cleared=False, why=())
        for part, share in (("gate-angle", 0.97), ("fuse-3", 0.96), ("harness-A", 0.3))
    )
    view = replace(ONE_LOST, suspects=(first, second, third), next=None)
    said = "Parts at fault: gate-angle (97 %), fuse-3 (96 %). Suspected beside: harness-A 30 %"
    assert verdict_in_short(view) == (said, True)


def test_without_a_map_it_is_said_that_sensors_hang_on_a_branch() -> None:
    row = replace(ONE_LOST.harness[0], name="left", kind="branch", depth=0)
    for rows in ((), (row,)):
        lines = draw_harness(replace(HEALTHY, harness=rows, guided=True), 39, 8, 0)
        assert "every sensor that hangs on it" in " ".join(" ".join(map(plain, lines)).split())
    assert "sensor that hangs" not in " ".join(map(plain, draw_harness(ONE_LOST, 39, 8, 0)))


def test_the_number_of_a_renewed_part_stands_apart_from_the_word() -> None:
    renewed = replace(part("gate-angle", "sensor", 3, label=12), repaired=True)
    (row,) = [plain(line) for line in draw_harness(replace(HEALTHY, harness=(renewed,)), 50, 6, 0)][1:2]
    assert row.endswith("#12 renewed ")
    assert len(row) == 50
