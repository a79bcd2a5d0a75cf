"""What a notebook asks of a result: values indexed by time, frames around an incident, presence as intervals."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

import busdoc
from busdoc.analysis.result import Result
from busdoc.capture.source import open_capture
from busdoc.health.incident import Gap, GapKind
from tests.report import record_results as made

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


def ns_of(frame: "pd.DataFrame | pd.Series[Any]") -> npt.NDArray[np.int64]:
    """Give the times of a frame's index in nanoseconds."""
    index = frame.index
    assert isinstance(index, pd.DatetimeIndex)
    return index.as_unit("ns").asi8


def reading_for_itself(result: Result) -> Result:
    """Give a result that has read nothing again yet."""
    assert result.recorded is not None
    recorded = type(result.recorded)(open_capture([SWEEPER / "capture.log.gz"]), busdoc.load_databases(DATABASE))
    return replace(result, recorded=recorded)


def test_values_are_those_of_cantools_at_the_times_of_their_frames(sweeper: Result) -> None:
    values = sweeper.signals("VEP1.BatteryPotential")
    database = cantools.database.load_file(DATABASE)
    assert isinstance(database, cantools.database.can.Database)
    message = database.get_message_by_name("VEP1")
    t_ns, expected = [], []
    for block in open_capture([SWEEPER / "capture.log.gz"]).blocks():
        for row in np.flatnonzero(block.id == message.frame_id).tolist():
            decoded = message.decode(bytes(block.data[row]), decode_choices=False)
            assert isinstance(decoded, dict)
            t_ns.append(int(block.t_ns[row]))
            expected.append(decoded["BatteryPotential"])
    assert isinstance(values.index, pd.DatetimeIndex)
    assert str(values.index.tz) == "UTC"
    assert ns_of(values).tolist() == t_ns
    assert values["VEP1.BatteryPotential"].to_numpy() == pytest.approx(np.array(expected, float))
    assert values.attrs["units"] == {"VEP1.BatteryPotential": "V"}


def test_whatever_is_asked_for_the_recording_is_read_once(sweeper: Result) -> None:
    result = reading_for_itself(sweeper)
    assert result.recorded is not None
    whole = result.signals(["VEP1.*", "HopperStatus.*"])
    assert result.recorded.n_readings == 1
    start, end = whole.index[100], whole.index[300]
    part = result.signals("HopperStatus.State", start=start, end=end)
    named = result.signals("HopperStatus.State", channel="can0", texts=True)
    again = result.signals("VEP1.*", every_s=10.0, channel=0)
    other = result.signals("EEC1.EngineSpeed")
    frames = result.frames(start=start, end=end)
    assert result.recorded.n_readings == 1
    assert len(other) > 100
    assert set(part.index) <= set(frames.index)
    pd.testing.assert_series_equal(
        part["HopperStatus.State"], whole["HopperStatus.State"][start:end].dropna(), check_freq=False
    )
    assert {"RUN", "FAULT"} <= set(named["HopperStatus.State"].dropna())
    assert (np.diff(ns_of(again)) % (10 * 10**9) == 0).all()


def test_a_row_of_a_stretch_is_the_last_value_that_came_in_it(sweeper: Result) -> None:
    whole = sweeper.signals("HopperStatus.GateAngle")["HopperStatus.GateAngle"].dropna()
    thinned = sweeper.signals("HopperStatus.GateAngle", every_s=2.5)["HopperStatus.GateAngle"].dropna()
    assert 10 < len(thinned) < len(whole) / 10
    for end, value in list(thinned.items())[::7]:
        assert value == whole[pd.Timestamp(str(end)) - pd.Timedelta(seconds=2.5) : pd.Timestamp(str(end))].iloc[-1]


def test_several_streams_share_one_index_of_all_their_times(sweeper: Result) -> None:
    both = sweeper.signals(["VEP1.BatteryPotential", "HopperStatus.State"])
    alone = sweeper.signals("HopperStatus.State")["HopperStatus.State"]
    assert both.index.is_monotonic_increasing
    assert both["HopperStatus.State"].dropna().to_numpy() == pytest.approx(alone.dropna().to_numpy())


def test_frames_around_an_incident_hold_its_last_and_its_first(sweeper: Result) -> None:
    n = next(n for n, one in enumerate(sweeper.incidents, start=1) if one.losses and one.back_ns is not None)
    incident = sweeper.incidents[n - 1]
    frames = sweeper.frames(around=n, seconds=0.2)
    assert frames.equals(sweeper.frames(around=incident, seconds=0.2))
    theirs = frames[frames["controller"].isin(list(incident.controllers))]
    at_ns = set(ns_of(theirs).tolist())
    assert {loss.last_seen_ns for loss in incident.losses if loss.last_seen_ns == incident.last_seen_ns} <= at_ns
    assert incident.back_ns in at_ns
    assert list(frames.columns)[:7] == ["channel", "id", "extended", "kind", "fd", "length", "data"]
    read = [
        (int(block.t_ns[row]), int(block.id[row]), block.payload(row).hex(" "))
        for block in open_capture([SWEEPER / "capture.log.gz"]).blocks()
        for row in np.flatnonzero(np.isin(block.t_ns, ns_of(frames))).tolist()
    ]
    assert list(zip(ns_of(frames).tolist(), frames["id"], frames["data"], strict=True)) == read


def test_frames_of_a_stretch_end_where_they_are_told_to(sweeper: Result) -> None:
    start = datetime(2026, 3, 2, 7, 14, 38, tzinfo=UTC)
    frames = sweeper.frames(start=start, end=start.timestamp() + 0.5, channel=0)
    assert len(frames) > 20
    assert start <= frames.index[0].to_pydatetime() < frames.index[-1].to_pydatetime()
    assert frames.index[-1].timestamp() <= start.timestamp() + 0.5


def test_presence_is_intervals_without_holes_and_silences_know_their_incident(sweeper: Result) -> None:
    presence = sweeper.presence()
    span_s = (sweeper.health.until_ns - sweeper.health.start_ns) / 1e9
    for _, rows in presence.groupby("controller"):
        assert rows["duration_s"].sum() == pytest.approx(span_s)
        assert (rows["start"].iloc[1:].to_numpy() == rows["end"].iloc[:-1].to_numpy()).all()
    silent = presence[presence["state"] == "silent"]
    told = {one.name: sum(b - a for a, b in one.absences) / 1e9 for one in sweeper.health.controllers if one.absences}
    assert silent.groupby("controller")["duration_s"].sum().to_dict() == pytest.approx(told)
    incidents = busdoc.tables(sweeper)["incidents"].set_index(["n", "controller"])
    row = silent[silent["incident"].notna()].iloc[0]
    assert incidents.loc[(row["incident"], row["controller"]), "last_seen_utc"] == row["start"].floor("us")


def test_what_was_not_recorded_is_nobodys_silence() -> None:
    clean = made.clean()
    start_ns = clean.health.start_ns
    gap = Gap(channel=None, from_ns=start_ns + 10**9, to_ns=start_ns + 3 * 10**9, kind=GapKind.CAPTURE_GAP)
    presence = replace(clean, health=replace(clean.health, gaps=(gap,))).presence()
    unrecorded = presence[presence["state"] == "not recorded"]
    assert set(unrecorded["controller"]) == {one.name for one in clean.health.controllers}
    assert unrecorded["duration_s"].tolist() == pytest.approx([2.0] * len(unrecorded))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda one: one.signals("Nobody.*"), "which matches none"),
        (lambda one: one.signals("VEP1.*", channel="can7"), "It has: can0"),
        (lambda one: one.signals("VEP1.*", every_s=0), "above 0"),
        (lambda one: one.signals("VEP1.*", start=datetime(2026, 3, 2)), "without one"),
        (lambda one: one.frames(around=999), "a number from 1"),
        (lambda one: one.frames(start="soon"), "seconds, or a date"),
        (lambda _: made.clean().frames(), "a recording to read again"),
    ],
)
def test_what_cannot_be_given_is_said_in_a_sentence(sweeper: Result, wrong: object, said: str) -> None:
    assert callable(wrong)
    with pytest.raises(busdoc.InputError, match=said):
        wrong(sweeper)
