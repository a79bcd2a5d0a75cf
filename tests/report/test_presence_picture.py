"""The picture of presence draws what was heard and nothing before the first frame or after the last one."""

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.report.record.page import Items
from busdoc.report.record.pages.presence import presence_section
from busdoc.report.record.pictures.presence import heard_spans, presence_picture
from tests.health.made_traffic import S

REAL = Path(__file__).parents[1] / "data" / "real"
SWEEPER = Path(__file__).parents[2] / "captures" / "street_sweeper"


@cache
def idle_run() -> Result:
    return postmortem([REAL / "tractor-idle-run.log.gz"])


def spans_s(name: str) -> list[tuple[float, float]]:
    """When a controller is drawn as heard, s since the start."""
    result = idle_run()
    (one,) = [one for one in result.health.controllers if one.name == name]
    silent = [(a - result.health.start_ns, b - result.health.start_ns) for a, b in one.absences]
    return [(a / S, b / S) for a, b in heard_spans(one, result, silent)]


def test_nothing_is_drawn_before_the_first_frame_and_after_the_machine_was_off() -> None:
    """From the raw frames: 0x17 comes at 2.074 s and is last heard at 23.0 s; 0x00 is there throughout."""
    ((from_s, to_s),) = spans_s("address 0x17")
    assert from_s == pytest.approx(2.074, abs=0.01)
    assert to_s == pytest.approx(23.0, abs=0.2)
    ((from_s, to_s),) = spans_s("address 0x00")
    assert from_s < 0.2
    assert to_s == pytest.approx(40.3, abs=0.2)


def test_the_page_tells_who_came_later_and_which_addresses_are_one_box() -> None:
    said = [text for block in presence_section(idle_run()).blocks if isinstance(block, Items) for text in block.items]
    assert any(text.endswith("address 0x17 came, 70 ms after the engine's start") for text in said)
    assert any("are one box" in text for text in said)


@pytest.mark.parametrize(("width_in", "copies"), [(7.4, 1), (3.9, 1), (7.4, 40)])
def test_the_numbers_of_the_actions_are_all_there_or_none(width_in: float, copies: int) -> None:
    result = postmortem(
        [SWEEPER / "capture.log.gz"], machine_file=SWEEPER / "machine.toml", journal_file=SWEEPER / "actions.csv"
    )
    many = [replace(one, n=one.n + 100 * k) for k in range(copies) for one in result.actions]
    picture = presence_picture(replace(result, actions=tuple(many)))
    assert picture is not None
    texts = set(re.findall(r">\s*(\d+)\s*</text>", picture.draw(width_in, False)))
    numbers = {str(one.n) for one in many}
    assert texts & numbers == (numbers if copies == 1 else set())
