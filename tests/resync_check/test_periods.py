"""What a baseline expects of a stream's period: every recording counts, in whatever order and number of calls."""

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.health.controller import ControllerHealth, ControllerState, StreamHealth, StreamKey
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import Identity, PeriodFrom
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline_text import map_text, merge_into
from busdoc.resync_check.learning import Recording, learn_from
from busdoc.resync_check.periods import SeenPeriod

MS = 1_000_000
FIRST, SECOND = 0x18FF0131, 0x18FF0231

Shown = tuple[int, int, int]
"""(period in µs, intervals, jitter in µs)"""


def stream(identifier: int, shown: Shown) -> StreamHealth:
    period_us, intervals, jitter_us = shown
    return StreamHealth(
        key=StreamKey(channel=0, extended=True, id=identifier),
        frames=intervals + 1,
        cyclic=True,
        period_ns=1000 * period_us,
        jitter_ns=1000 * jitter_us,
        deadline_ns=3000 * period_us,
        period_from=PeriodFrom.LEARNT,
        first_ns=0,
        last_ns=1000 * period_us * intervals,
    )


def recording(n: int, shown: dict[int, Shown]) -> Recording:
    streams = tuple(stream(identifier, one) for identifier, one in shown.items())
    until_ns = max(one.last_ns for one in streams)
    controller = ControllerHealth(
        name="hopper",
        channel=0,
        identity=Identity(address=0x31),
        frames=sum(one.frames for one in streams),
        streams=tuple(replace(one, last_ns=until_ns) for one in streams),
        state=ControllerState.STEADY,
        present_ns=until_ns,
        lost_ns=0,
        dropouts=0,
        restarts=0,
        first_ns=0,
        last_ns=until_ns,
    )
    health = Health(
        start_ns=0,
        until_ns=until_ns + 1000 * n,
        frames=controller.frames,
        error_frames=0,
        controllers=(controller,),
        incidents=(),
        gaps=(),
    )
    return Recording(name=f"recording {n}", health=health)


def learnt_in(calls: Sequence[Sequence[Recording]]) -> str:
    """Give the map after that many calls, each with some recordings."""
    text = ""
    for those in calls:
        baseline = learn_from(those, text)
        text = merge_into(text, baseline).text if text else map_text(baseline, name="Street sweeper")
        machine_from_text(text, "learnt")  # what is written is what is read
    return text


def rows_of(text: str) -> list[dict[str, Any]]:
    (hopper,) = tomllib.loads(text)["controller"]
    return sorted(hopper["expects"], key=lambda row: str(row["frame"]))


shown = st.tuples(st.integers(1_000, 2_000_000), st.integers(8, 100_000), st.integers(0, 5_000))
"""Periods from 1 ms to 2 s: what controllers send (common practice)."""


@given(st.lists(st.fixed_dictionaries({FIRST: shown, SECOND: shown}), min_size=1, max_size=6), st.data())
@settings(max_examples=60, deadline=None)
def test_what_is_learnt_is_the_same_in_whatever_order_and_number_of_calls(
    seen: list[dict[int, Shown]], data: st.DataObject
) -> None:
    recordings = [recording(n, one) for n, one in enumerate(seen)]
    ordered = data.draw(st.permutations(recordings))
    cuts = sorted(data.draw(st.sets(st.integers(1, max(len(ordered) - 1, 1)))))
    calls = [ordered[a:b] for a, b in zip([0, *cuts], [*cuts, len(ordered)], strict=True) if b > a]
    at_once = rows_of(learnt_in([recordings]))
    assert rows_of(learnt_in(calls)) == at_once
    # a recording that is given again counts once
    assert rows_of(learnt_in([*calls, ordered[:1]])) == at_once


@given(st.lists(shown, min_size=1, max_size=6))
def test_no_recording_shows_a_stream_slower_or_less_even_than_a_tenth_beyond_what_is_learnt(seen: list[Shown]) -> None:
    """So no healthy machine is held to a period that one of its own healthy recordings did not keep."""
    (row,) = rows_of(learnt_in([[recording(n, {FIRST: one}) for n, one in enumerate(seen)]]))
    slowest_us, fastest_us = max(one[0] for one in seen), min(one[0] for one in seen)
    assert 1e6 * row["period_s"] >= slowest_us / 1.13  # a tenth, and a designed period 2 % beside it
    assert 1e6 * row["period_s"] <= 1.02 * slowest_us
    assert 1e6 * row["period_s"] >= fastest_us / 1.02
    assert 1e6 * row.get("jitter_s", 0.0) == pytest.approx(max(one[2] for one in seen))


def test_a_short_recording_does_not_outweigh_a_long_one_that_comes_later() -> None:
    """10.3 ms from 20 intervals, then 10 ms from 60,000: the controller was designed for 10 ms."""
    text = learnt_in([[recording(0, {FIRST: (10_300, 20, 100)})], [recording(1, {FIRST: (10_001, 60_000, 100)})]])
    (row,) = rows_of(text)
    assert row["period_s"] == 0.01
    assert row["measured"] == [60_020, 600.266, 0.010001, 0.0103]


def test_where_healthy_recordings_differ_the_slower_period_is_expected() -> None:
    both = [recording(0, {FIRST: (100_000, 900, 50)}), recording(1, {FIRST: (200_000, 90, 50)})]
    (row,) = rows_of(learnt_in([both]))
    assert row["period_s"] == 0.2


def test_a_period_that_somebody_changed_stays() -> None:
    first = learnt_in([[recording(0, {FIRST: (100_000, 900, 50)})]])
    by_hand = first.replace("period_s = 0.1,", "period_s = 0.15,")
    assert by_hand != first
    merged = merge_into(by_hand, learn_from([recording(1, {FIRST: (200_000, 900, 50)})], by_hand))
    (row,) = rows_of(merged.text)
    assert row["period_s"] == 0.15


def test_that_more_recordings_changed_a_period_is_told() -> None:
    first = learnt_in([[recording(0, {FIRST: (100_000, 900, 50)})]])
    merged = merge_into(first, learn_from([recording(1, {FIRST: (200_000, 900, 50)})], first))
    assert "hopper: 0x18FF0131 every 0.2 s, by all recordings so far." in merged.added


@pytest.mark.parametrize(
    "kept", [None, 3, [], [1, 2.0, 3.0], [0, 1.0, 0.1, 0.1], [9, -1.0, 0.1, 0.1], ["9", 1.0, 0.1, 0.1], [9.5, 1, 1, 1]]
)
def test_what_a_map_keeps_that_was_spoilt_is_no_measurement(kept: object) -> None:
    assert SeenPeriod.of_row({"frame": "0x18FF0131", "period_s": 0.1, "measured": kept}) is None
