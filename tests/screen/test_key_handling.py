"""What each key does: to the session, and to what is told. Nothing is told as logged before the session says so."""

from dataclasses import replace
from datetime import UTC

import pytest

from busdoc.actions.action import ActionKind
from busdoc.live.view import Happening, HappeningKind, SessionView, SymptomRow
from busdoc.screen.areas.pages import Page
from busdoc.screen.key_handling import ScreenState
from busdoc.screen.keys import BY_KEY, COMMANDS, Command
from tests.screen.made_views import (
    HEALTHY,
    ONE_LOST,
    STEP_2,
    WATCHED,
    MadeSession,
    controller,
    power_seen,
)
from tests.screen.piloted import HandClock

SPECIAL = {"space": " ", "enter": "\r"}


class At:
    """A state past its cautions, with keys by name."""

    def __init__(self, view: SessionView) -> None:
        self.clock = HandClock()
        self.session = MadeSession(shown=view)
        self.state = ScreenState(self.session, quiet=True, zone=UTC, clock_s=self.clock)
        self.press("space")
        self.wait(2.0)

    def wait(self, seconds: float) -> None:
        self.clock.now_s += seconds
        self.state.tick()

    def press(self, *keys: str) -> None:
        for key in keys:
            self.state.press(key, SPECIAL.get(key, key if len(key) == 1 else None))

    @property
    def told(self) -> str:
        return self.state.message.text


PULL = replace(ONE_LOST, next=STEP_2)
"""The power is off, and a connector is to be pulled."""


def test_what_happened_lately_stands_by_its_time_and_not_by_when_it_was_known() -> None:
    at = At(ONE_LOST)
    for n, (time_ns, text) in enumerate([(3, "fan is back"), (2, "hopper lost"), (3, "lift is back")], start=1):
        at.session.coming.append(Happening(n=n, time_ns=time_ns, kind=HappeningKind.NOTE, text=text))
        at.wait(1.0)
    assert [one.text for _, one in at.state.lately] == ["hopper lost", "fan is back", "lift is back"]


def test_what_is_worded_anew_after_it_was_told_is_shown_as_it_is_worded_now_and_rings_no_second_time() -> None:
    at = At(ONE_LOST)
    at.session.happen(HappeningKind.LOST, "fan dropped off the bus", "fan")
    at.wait(1.0)
    at.session.coming[0] = replace(at.session.coming[0], text="fan dropped off the bus, as expected")
    at.session.amended += 1
    at.session.happen(HappeningKind.NOTE, "something else")
    at.wait(1.0)
    assert [one.text for _, one in at.state.lately] == ["fan dropped off the bus, as expected", "something else"]


def test_no_two_commands_share_a_key() -> None:
    assert len(BY_KEY) == sum(len(key.keys) for key in COMMANDS.values())


def test_cautions_come_first_and_need_their_key() -> None:
    session = MadeSession(shown=ONE_LOST)
    state = ScreenState(session, quiet=True, zone=UTC, clock_s=HandClock())
    state.press("u", "u")
    assert state.page is Page.CAUTIONS
    state.press("space", " ")
    assert state.page is None
    assert session.asked == []


@pytest.mark.parametrize("key", ["space", "enter", "pagedown"])
def test_one_key_logs_the_proposed_step(key: str) -> None:
    at = At(PULL)
    at.press(key)
    assert at.session.asked == [("act", ActionKind.UNPLUG, "harness-A", None)]
    assert at.told == "logged 07:17:00 unplugged harness-A"


@pytest.mark.parametrize("key", ["space", "enter", "pagedown"])
def test_the_same_key_works_in_the_big_view(key: str) -> None:
    at = At(PULL)
    at.press("b", key)
    assert at.state.big
    assert at.session.asked == [("act", ActionKind.UNPLUG, "harness-A", None)]


@pytest.mark.parametrize("key", ["space", "enter", "pagedown"])
def test_a_power_step_waits_for_the_traffic_or_a_second_key(key: str) -> None:
    at = At(ONE_LOST)
    at.press(key)
    assert at.session.asked == [("do now",)]
    assert at.told == "not logged yet: the traffic will show it and log it; else y says that it is done"
    at.wait(2.0)
    at.press("y")
    assert at.session.asked[-1] == ("act", ActionKind.POWER_OFF, None, None)


def test_a_press_on_a_step_that_has_just_come_up_logs_nothing_and_says_so() -> None:
    at = At(ONE_LOST)
    at.session.shown = PULL
    at.wait(0.3)
    at.press("space")
    assert at.session.asked == []
    assert at.told == "just now it has come to: Unplug harness-A (no. 1). Nothing logged: press again"


def test_a_step_that_has_stood_for_a_while_is_the_one_that_was_done() -> None:
    at = At(ONE_LOST)
    at.session.shown = PULL
    at.wait(0.3)
    at.wait(1.5)
    at.press("space")
    assert at.session.asked == [("act", ActionKind.UNPLUG, "harness-A", None)]


def test_a_second_press_within_a_second_is_none() -> None:
    at = At(PULL)
    at.press("space")
    at.wait(0.25)
    at.press("space")
    assert at.session.asked == [("act", ActionKind.UNPLUG, "harness-A", None)]
    assert at.told == "pressed twice within a second; nothing more logged"


def test_presses_that_are_apart_log_two_steps() -> None:
    at = At(PULL)
    at.press("space")
    at.wait(1.5)
    at.press("space")
    assert [one[2] for one in at.session.asked] == ["harness-A", "harness-B"]


def test_nothing_is_logged_where_nothing_is_proposed() -> None:
    at = At(HEALTHY)
    at.press("space")
    assert at.session.asked == []
    assert at.told == "nothing is proposed; nothing logged"


def test_when_all_steps_are_done_the_key_says_so() -> None:
    at = At(WATCHED)
    at.press("space")
    assert at.session.asked == []
    assert at.told == "all steps are done: watch; nothing logged"


STANDS_OUT = SymptomRow(name=None, text="what stands out", aside="")
DROPS = SymptomRow(name="dropout", text="dropouts", aside="")
SUPPLY = SymptomRow(name="code:hopper:SPN 3509 FMI 4", text="SPN 3509 FMI 4 of hopper", aside="came twice")


@pytest.mark.parametrize(("typed", "name"), [("3509", SUPPLY.name), ("drop", "dropout"), ("stands", None)])
def test_another_symptom_is_made_the_complaint(typed: str, name: str | None) -> None:
    at = At(replace(HEALTHY, symptoms=(STANDS_OUT, DROPS, SUPPLY)))
    at.press("v", *typed)
    if at.state.asking is not None:
        at.press("enter")
    assert at.session.asked == [("isolate", name)]
    assert at.told.startswith("isolating ")


def test_with_dropouts_alone_there_is_nothing_to_choose() -> None:
    at = At(replace(HEALTHY, symptoms=(STANDS_OUT, DROPS)))
    at.press("v")
    assert (at.state.asking, at.session.asked) == (None, [])


def test_a_full_disk_is_told_and_not_called_logged() -> None:
    at = At(PULL)
    at.session.full_disk = True
    at.press("space")
    assert at.told == ("NOT LOGGED. session.sqlite: expected room on the disk, found none. Free some and press again.")


def test_a_recording_that_turns_out_to_be_unreadable_is_told_and_ends_nothing() -> None:
    at = At(ONE_LOST)
    at.session.unreadable = True
    at.state.tick()
    assert at.told == "NOT HEARD. capture.log: expected frames, found something else. Is it the right file?"
    at.press("m")
    assert at.session.asked == [("act", ActionKind.MARK, None, None)]


@pytest.mark.parametrize(
    ("keys", "asked"),
    [
        (["u", "enter"], ("act", ActionKind.UNPLUG, "gate-angle", None)),
        (["u", "1", "enter"], ("act", ActionKind.UNPLUG, "harness-A", None)),
        (["u", "t", "i", "l", "t", "-", "a"], ("act", ActionKind.UNPLUG, "tilt-angle", None)),
        (["p", "enter"], ("act", ActionKind.PLUG, "harness-D", None)),
        (["o", "enter"], ("act", ActionKind.POWER_OFF, None, None)),
        (["i", "3", "enter"], ("act", ActionKind.POWER_ON, "fuse-3", None)),
        (["c", "enter"], ("act", ActionKind.POWER_CYCLE, None, None)),
        (["w", "2"], ("act", ActionKind.WIGGLE, "gate-angle", None)),
        (["r", "2"], ("act", ActionKind.REPLACE, "gate-angle", None)),
        (["s", "2", "enter"], ("act", ActionKind.SWAP, "gate-angle", "tilt-angle")),
        (["m"], ("act", ActionKind.MARK, None, None)),
    ],
)
def test_a_verb_and_a_part_are_logged(keys: list[str], asked: tuple[object, ...]) -> None:
    at = At(ONE_LOST)
    at.press(*keys)
    assert at.session.asked == [asked]
    assert at.told.startswith("logged 07:17:00 ")
    assert at.state.asking is None


def test_escape_leaves_a_question_without_logging() -> None:
    at = At(ONE_LOST)
    at.press("u", "h", "escape")
    assert at.session.asked == []
    assert at.state.asking is None


def test_a_remote_logs_the_step_even_while_a_question_is_open() -> None:
    at = At(PULL)
    at.press("u", "pagedown")
    assert at.session.asked == [("act", ActionKind.UNPLUG, "harness-A", None)]
    assert at.state.asking is None


def test_letters_that_run_on_after_a_name_was_taken_are_no_commands() -> None:
    at = At(ONE_LOST)
    at.press("w", "t", "i", "l", "t", "-", "a", "n", "g", "l", "e")
    assert at.session.asked == [("act", ActionKind.WIGGLE, "tilt-angle", None)]
    assert at.state.asking is None


def test_the_enter_that_was_not_needed_logs_no_step() -> None:
    at = At(PULL)
    at.press("w", "t", "enter")
    assert at.session.asked == [("act", ActionKind.WIGGLE, "tilt-angle", None)]
    at.press("enter")
    assert at.session.asked[-1] == ("act", ActionKind.UNPLUG, "harness-A", None)


def test_the_same_letter_later_is_a_command_again() -> None:
    at = At(ONE_LOST)
    at.press("w", "t", "i", "l", "t", "-", "a")
    at.clock.now_s += 5.0
    at.press("m")
    assert at.session.asked[-1] == ("act", ActionKind.MARK, None, None)


def test_nothing_can_be_plugged_in_when_nothing_is_out() -> None:
    at = At(HEALTHY)
    at.press("p")
    assert at.state.asking is None
    assert at.told == "nothing is there to be plugged in; nothing logged"


def test_without_a_map_a_name_is_made_up() -> None:
    at = At(replace(HEALTHY, harness=(), guided=True))
    at.press("u", *"left", "enter")
    assert at.session.asked == [("act", ActionKind.UNPLUG, "left", None)]
    assert at.told == "logged 07:17:00 unplugged left"


def test_undo_says_what_was_undone() -> None:
    at = At(ONE_LOST)
    at.press("z")
    assert at.told.startswith("undone: 07:16:20 unplugged harness-D")
    assert at.state.view.actions == ONE_LOST.actions[:1]


def test_the_last_action_was_three_seconds_ago() -> None:
    at = At(ONE_LOST)
    at.press("a", "3")
    assert at.session.asked == [("retime", 2, 3.0)]
    assert at.told == "logged 07:16:57 unplugged harness-D"


def test_a_note_is_kept_as_written() -> None:
    at = At(ONE_LOST)
    at.press("t", *"oil on plug", "enter")
    assert at.session.asked == [("correct", 2, None, "oil on plug")]  # with what was just done


def test_a_note_long_after_the_last_thing_done_stands_by_itself() -> None:
    at = At(HEALTHY)
    at.press("t", *"DSC_0012", "enter")
    assert at.session.asked == [("note", "DSC_0012")]
    assert at.told == 'logged 07:17:00 note "DSC_0012"'


def test_an_entry_of_the_list_can_be_moved_given_another_part_noted_and_struck_out() -> None:
    at = At(PULL)
    at.press("j")
    assert at.state.page is Page.DONE
    latest = max(PULL.actions, key=lambda one: one.time_ns)
    assert at.state.chosen_action == latest.n
    at.press("a", "3")
    at.press("t", *"pin 4 green", "enter")
    at.press("p", *"harness-C")
    at.wait(2.0)
    at.press("x")
    assert at.session.asked == [
        ("retime", latest.n, 3.0),
        ("correct", latest.n, None, "pin 4 green"),
        ("correct", latest.n, "harness-C", None),
        ("undo", latest.n),
    ]
    assert at.state.page is Page.DONE


def test_an_empty_note_is_none() -> None:
    at = At(ONE_LOST)
    at.press("t", "enter")
    assert at.session.asked == []


def test_a_branch_is_renamed() -> None:
    at = At(ONE_LOST)
    at.press("e", "1", "enter", *["backspace"] * 3, *"rear", "enter")
    assert at.session.asked == [("rename", "harness-A", "rear")]


def test_a_proposal_is_taken_with_one_key_and_refused_with_one() -> None:
    at = At(replace(ONE_LOST, proposals=(power_seen(),)))
    at.press("y")
    assert at.session.asked == [("take", "power-fuse-3")]
    assert at.told == "logged 07:16:30 switched fuse-3 off"
    at = At(replace(ONE_LOST, proposals=(power_seen(),)))
    at.press("n")
    assert at.session.asked == [("refuse", "power-fuse-3")]


def test_labels_are_offered_until_the_first_connector_is_pulled() -> None:
    at = At(HEALTHY)
    assert at.state.offers_labels
    at.press("u", "enter")
    assert not at.state.offers_labels


def test_labels_are_given_once_and_shown_again() -> None:
    at = At(HEALTHY)
    at.press("l")
    assert at.state.page is Page.LABELS
    at.press("escape", "l")
    assert at.session.asked == [("labels",)]
    assert not at.state.offers_labels


def test_closing_a_page_with_space_logs_nothing() -> None:
    at = At(ONE_LOST)
    at.press("h", "space")
    assert at.session.asked == []
    assert at.told == "page closed, nothing logged"


def test_leaving_asks_once_while_a_part_is_not_back() -> None:
    at = At(ONE_LOST)
    at.press("q")
    assert at.state.page is Page.LEAVE
    assert not at.state.leaving
    at.press("q")
    assert at.state.leaving


def test_any_other_key_stays() -> None:
    at = At(ONE_LOST)
    at.press("q", "escape", "m")
    assert not at.state.leaving
    assert at.session.asked == [("act", ActionKind.MARK, None, None)]


def test_leaving_does_not_ask_when_all_is_back() -> None:
    at = At(HEALTHY)
    at.press("q")
    assert at.state.leaving


def test_another_test_is_asked_for() -> None:
    at = At(ONE_LOST)
    at.press("x")
    assert at.session.asked == [("skip",)]


def test_zoom_and_scroll_stay_within_the_session() -> None:
    at = At(ONE_LOST)
    at.press("plus", "left", "left")
    assert at.state.scroll.length_s == 60
    assert at.state.scroll.back_ns == 30 * 10**9
    at.press(*["left"] * 100)
    assert at.state.scroll.back_ns == 180 * 10**9
    at.press("end")
    assert at.state.scroll.back_ns == 0


def test_a_loss_is_drawn_at_once_and_not_at_the_next_turn() -> None:
    at = At(HEALTHY)
    assert at.state.tick() is None
    at.session.happen(HappeningKind.LOST, "hopper lost", "hopper")
    new = at.state.tick()
    assert new is not None
    assert [one.text for one in new] == ["hopper lost"]
    assert at.state.tick() is None


def test_without_news_the_screen_is_drawn_five_times_a_second() -> None:
    at = At(HEALTHY)
    drawn = 0
    for _ in range(40):
        at.clock.now_s += 0.05
        drawn += at.state.tick() is not None
    assert 8 <= drawn <= 10


def test_a_loss_out_of_sight_is_scrolled_into_it() -> None:
    many = replace(HEALTHY, controllers=tuple(controller(f"c{k:02d}") for k in range(16)))
    at = At(many)
    at.state.fit(roll_height=9, tree_height=9)
    at.session.happen(HappeningKind.LOST, "c14 lost", "c14")
    at.state.tick()
    assert at.state.scroll.controller <= 14 < at.state.scroll.controller + 6


def test_the_part_of_the_step_is_scrolled_into_sight() -> None:
    at = At(ONE_LOST)
    at.state.fit(roll_height=9, tree_height=8)
    names = [row.name for row in ONE_LOST.harness]
    assert at.state.scroll.part <= names.index("harness-A") < at.state.scroll.part + 6


def test_an_unknown_key_does_nothing() -> None:
    at = At(ONE_LOST)
    at.press("f7", "J", "escape", "ctrl+a")
    assert at.session.asked == []
    assert at.told == ""


@pytest.mark.parametrize("command", [Command.UP, Command.DOWN, Command.TREE_UP, Command.TREE_DOWN, Command.LIGHT])
def test_looking_logs_nothing(command: Command) -> None:
    at = At(ONE_LOST)
    at.press(*COMMANDS[command].keys)
    assert at.session.asked == []
