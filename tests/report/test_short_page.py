"""The short page: at most a screen, its cautions whole, and nobody is lost between it and the text that follows."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.machine.machine import Machine
from busdoc.report.record.page import Items, Tone
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.provenance import provenance
from busdoc.report.terminal.terminal import Extent, render
from busdoc.report.words.brief import brief_of
from tests.truth.isolation_sessions import SessionKind
from tests.truth.told_sessions import Twist, tell_session

CAPTURES = Path(__file__).parents[2] / "captures"
STORIES = ("straddle_carrier", "street_sweeper", "sweeper_code", "sweeper_feed", "sweeper_segment")


@cache
def story(name: str) -> Result:
    own = CAPTURES / name / "machine.toml"
    return postmortem(
        [CAPTURES / name / "capture.log.gz"],
        machine_file=own if own.exists() else CAPTURES / "street_sweeper" / "machine.toml",
        journal_file=CAPTURES / name / "actions.csv",
    )


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("width", [60, 80, 160])
@pytest.mark.parametrize("name", STORIES)
def test_it_fits_a_screen_and_its_cautions_are_whole(name: str, width: int) -> None:
    page = render(story(name), width=width, extent=Extent.BRIEF)
    assert len(page.splitlines()) <= 25
    brief = brief_of(story(name))
    assert bool(brief.cautions) == ("Next: Switch the machine off" in page)
    assert all(f"! {caution}" in words(page) for caution in brief.cautions)


@pytest.mark.parametrize("name", STORIES)
def test_every_controller_is_drawn_or_named_once_in_the_usual_text(name: str) -> None:
    text = render(story(name), width=100)
    drawn = re.findall(r"^  (?!actions|codes)(\S+) +[━·╌]{12,} \S", text, re.MULTILINE)
    listed = re.findall(r"^In step[^:]*: (.*?)\.$", text, re.MULTILINE | re.DOTALL)
    named = [one for text in listed for one in re.split(r",\s+|\s+and\s+", text)]
    assert sorted(drawn + named) == sorted(one.name for one in story(name).health.controllers)


def test_the_page_has_the_cautions_of_its_next_step() -> None:
    result = story("sweeper_feed")
    front = build_page(result, provenance(result, "busdoc postmortem"), {}, datetime(2026, 3, 4, tzinfo=UTC)).front
    (cautions,) = [block.items for block in front if isinstance(block, Items) and block.tone is Tone.CAUTION]
    assert cautions == brief_of(result).cautions


def test_a_controller_is_replaced_after_a_look_at_its_plug_and_wires_where_the_map_has_none() -> None:
    """The fuse of one controller alone is at fault, and the map has only the battery."""
    told = tell_session(SessionKind.FEED, 4_800_108, Twist.ONE_FEED)
    assert told.session.faulty == ("fuse-2",)
    assert [one.part for one in told.result.conclusion.named] == ["broom"]
    assert "Next: First its plug and supply wires" in told.brief
    assert "plug and supply wires" not in render(story("sweeper_feed"), width=80, extent=Extent.BRIEF)


def test_what_answers_to_an_action_is_left_out_of_what_they_have_in_common_and_that_is_said() -> None:
    assert "What the dropouts that answer to no action have in common" in render(story("sweeper_segment"))
    assert "What the dropouts have in common" in render(story("sweeper_feed"))


def test_a_map_that_gives_the_machine_no_name_is_a_map() -> None:
    of_it = replace(story("street_sweeper"), machine=replace(story("street_sweeper").machine, name=""))
    assert brief_of(of_it).machine.startswith("A machine without a name: 8 controllers")
    assert brief_of(replace(of_it, machine=Machine())).machine.startswith("No machine map: 8 controllers")
