"""Hours with an intermittent dropout: the truth that comes with the capture is the one in its frames."""

from functools import lru_cache

import cantools
import numpy as np
import pytest
from cantools.database.can import Database

from busdoc.arrays import Float64Array
from tests.truth.by_chance.background_signals import Habit, event_times
from tests.truth.by_chance.intermittent import IntermittentRun, TrueCause, intermittent_run

START_NS = 1_772_438_400 * 10**9


@lru_cache(maxsize=8)
def made(cause: TrueCause, seed: int = 3) -> IntermittentRun:
    return intermittent_run(cause, seed, hours=1.0)


def decoded(one: IntermittentRun, name: str) -> tuple[Float64Array, Float64Array]:
    """Decode a signal with cantools: (s from the start, value)."""
    message_name, signal = name.split(".")
    database = cantools.database.load_string(one.database, "dbc")
    assert isinstance(database, Database)
    message = database.get_message_by_name(message_name)
    times, values = [], []
    for block in one.run.blocks:
        rows = np.flatnonzero(block.id == message.frame_id)
        for row in rows.tolist():
            found = message.decode(block.data[row].tobytes(), decode_choices=False, allow_truncated=True)
            assert isinstance(found, dict)
            value = found[signal]
            assert isinstance(value, int | float)
            times.append((int(block.t_ns[row]) - START_NS) / 1e9)
            values.append(float(value))
    return np.array(times), np.array(values)


def test_the_same_seed_gives_the_same_frames() -> None:
    first, again = intermittent_run(TrueCause.EVENT, 1, hours=0.1), intermittent_run(TrueCause.EVENT, 1, hours=0.1)
    assert first.database == again.database
    assert all(np.array_equal(a.data, b.data) for a, b in zip(first.run.blocks, again.run.blocks, strict=True))


def test_there_are_two_hundred_signals_and_more() -> None:
    database = cantools.database.load_string(made(TrueCause.NOTHING).database, "dbc")
    assert isinstance(database, Database)
    assert sum(len(message.signals) for message in database.messages) >= 200


@pytest.mark.parametrize("cause", list(TrueCause))
def test_every_dropout_is_a_silence_of_the_controllers_that_it_takes(cause: TrueCause) -> None:
    one = made(cause)
    silences = [s for s in one.run.truth.silences if s.controller == one.controller]
    assert len(one.dropouts_s) >= 3
    if one.part is None:
        assert len(silences) == len(one.dropouts_s)
    else:
        below = one.run.machine.controllers_below(one.part)
        assert {s.controller for s in one.run.truth.silences if s.cause.startswith("fault:")} == set(below)


def test_the_switch_that_takes_the_controller_down_went_on_within_three_seconds_before() -> None:
    one = made(TrueCause.EVENT)
    t_s, value = decoded(one, one.signals[0])
    on_s = t_s[1:][np.diff(value) == 1.0]
    before = np.searchsorted(on_s, one.dropouts_s + 0.6, side="right")
    lag_s = one.dropouts_s - on_s[np.maximum(before - 1, 0)]
    assert np.count_nonzero(lag_s <= 3.1) >= one.due[0]


def test_the_supply_is_low_when_a_sag_takes_the_controller_down() -> None:
    one = made(TrueCause.SAG)
    t_s, value = decoded(one, one.signals[0])
    last = np.searchsorted(t_s, one.dropouts_s) - 1
    assert np.count_nonzero(value[last] < 25.5) >= one.due[0]
    assert np.mean(value < 25.5) < 0.02


def test_dropouts_come_many_times_as_often_when_it_is_hot() -> None:
    one = made(TrueCause.TEMPERATURE)
    t_s, value = decoded(one, one.signals[0])
    at_loss = np.interp(one.dropouts_s, t_s, value)
    limit = np.quantile(value, 0.75)
    assert np.mean(at_loss > limit) > 0.6


@pytest.mark.parametrize("habit", list(Habit))
def test_events_of_every_habit_come_about_as_often_as_they_should(habit: Habit) -> None:
    rng = np.random.default_rng(2)
    counts = [len(event_times(rng, habit, 40.0, 3600.0)) for _ in range(60)]
    assert 25.0 < float(np.mean(counts)) < 55.0
