"""Picking a part by a few letters or its label, writing, and seconds."""

import pytest

from busdoc.screen.asking import Choice, Digit, Picking, Writing, matching

NAMES = ("harness-A", "harness-B", "gate-angle", "tilt-angle", "gate-valve", "fuse-10")
PARTS = [Choice(value=name, text=name, label=n) for n, name in enumerate(NAMES, start=1)]


def typed(picking: Picking, text: str) -> str | None:
    for letter in text:
        if picking.press(letter, letter):
            break
    return None if picking.answer is None else picking.answer.value


@pytest.mark.parametrize(
    ("text", "first"),
    [("a", "harness-A"), ("gate-v", "gate-valve"), ("VAL", "gate-valve"), ("3", "gate-angle"), ("tilt", "tilt-angle")],
)
def test_letters_or_a_label_find_the_part(text: str, first: str) -> None:
    assert matching(PARTS, text)[0].value == first


def test_a_number_is_a_label_before_it_is_part_of_a_name() -> None:
    fuse = Choice(value="fuse-2", text="fuse-2")
    assert typed(Picking("Wiggled", [fuse, *PARTS]), "2") == "harness-B"


def test_a_number_that_begins_another_waits_for_enter() -> None:
    twelve = [Choice(value=f"plug-{n}", text=f"plug-{n}", label=n) for n in range(1, 13)]
    assert typed(Picking("Wiggled", twelve), "1") is None
    assert typed(Picking("Wiggled", twelve), "12") == "plug-12"


def test_the_only_match_is_taken_without_enter() -> None:
    assert typed(Picking("Unplugged", PARTS), "t") == "tilt-angle"


def test_several_matches_wait_for_enter() -> None:
    picking = Picking("Unplugged", PARTS)
    assert typed(picking, "ha") is None
    assert picking.press("enter", "\r")
    assert picking.answer is not None
    assert picking.answer.value == "harness-A"


def test_an_arrow_moves_to_the_next_match() -> None:
    picking = Picking("Unplugged", PARTS)
    typed(picking, "ha")
    picking.press("down", None)
    picking.press("enter", "\r")
    assert picking.answer is not None
    assert picking.answer.value == "harness-B"


def test_backspace_takes_a_letter_back() -> None:
    picking = Picking("Unplugged", PARTS)
    typed(picking, "hx")
    assert picking.found == []
    picking.press("backspace", None)
    assert [choice.value for choice in picking.found] == ["harness-A", "harness-B"]


def test_nothing_that_matches_takes_nothing() -> None:
    picking = Picking("Unplugged", PARTS)
    typed(picking, "zz")
    assert not picking.press("enter", "\r")


def test_a_new_branch_is_made_up_by_name_and_enter() -> None:
    picking = Picking("Unplugged", PARTS, new_names=True)
    assert typed(picking, "left") is None
    picking.press("enter", "\r")
    assert picking.answer is not None
    assert picking.answer.value == "left"


def test_a_known_branch_is_not_made_up_again() -> None:
    picking = Picking("Unplugged", PARTS, new_names=True)
    typed(picking, "harness-b")
    picking.press("enter", "\r")
    assert picking.answer is not None
    assert picking.answer.value == "harness-B"


def test_fingers_that_run_on_spell_the_part_that_was_taken() -> None:
    picking = Picking("Unplugged", PARTS)
    typed(picking, "t")
    assert all(picking.continues(letter) for letter in "ilt")
    assert not picking.continues("z")


def test_a_very_long_text_is_cut() -> None:
    writing = Writing("Note")
    for _ in range(1000):
        writing.press("x", "x")
    assert len(writing.text) == 200


def test_a_zero_is_ten_seconds_and_letters_are_none() -> None:
    digit = Digit("How many seconds ago")
    assert not digit.press("x", "x")
    assert digit.press("0", "0")
    assert digit.seconds == 10
