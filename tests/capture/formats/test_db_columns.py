"""A `.db` read by columns gives what it gives row by row, whatever stands in its rows."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.formats import sqlite_db
from busdoc.capture.formats.sqlite_db import read_db
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import Reading
from busdoc.times import nanoseconds_of_float, nanoseconds_of_floats
from tests.capture.random_frames import rows_of

ODD = (None, b"text", "text", 1.5, -1, 1 << 40, float("inf"), 9)
FIELDS = "ts, arbitration_id, extended, remote, error, dlc, data"


def rows(source: random.Random, n_rows: int, *, share_odd: float) -> list[list[object]]:
    made = []
    for n in range(n_rows):
        length = source.choice((0, 1, 8, 8, 8, 12, 64))
        time_s = 1_700_000_000 + n * 0.001 + source.choice((0.0, 0.000123, 1 / 3))
        extended = source.random() < 0.5
        row: list[object] = [time_s, source.randrange(1 << (29 if extended else 11)), extended]
        row += [source.random() < 0.1, source.random() < 0.1, length, source.randbytes(length)]
        if source.random() < share_odd:
            row[source.randrange(7)] = source.choice(ODD)
        made.append(row)
    return made


def written(path: Path, made: list[list[object]]) -> Path:
    with closing(sqlite3.connect(path)) as database:
        database.execute(f"CREATE TABLE messages ({FIELDS})")
        database.executemany(f"INSERT INTO messages ({FIELDS}) VALUES (?, ?, ?, ?, ?, ?, ?)", made)
        database.commit()
    return path


def read(path: Path) -> tuple[list[object], list[tuple[int, str]], int, list[int]]:
    reading = Reading(path)
    blocks = list(read_db(reading))
    skipped = [(one.line, one.reason) for one in reading.skipped.first]
    lines = [line for block in blocks for line in block.all_lines().tolist()]
    return [*rows_of(FrameBlock.concat([one.frames for one in blocks]))], skipped, reading.skipped.total, lines


@pytest.mark.parametrize("share_odd", [0.0, 0.02, 0.9])
@pytest.mark.parametrize("at_once", [7, 1000])
def test_columns_give_what_rows_give(
    share_odd: float, at_once: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_db, "_BLOCK_ROWS", at_once)
    path = written(tmp_path / "c.db", rows(random.Random(5), 500, share_odd=share_odd))
    by_columns = read(path)
    monkeypatch.setattr(sqlite_db, "_common", lambda rows: (np.zeros(len(rows), np.bool_), FrameBlock.empty()))
    assert by_columns == read(path)
    assert by_columns[0]


@given(
    st.lists(
        st.floats(-5e9, 5e9)
        | st.integers(-(10**15), 5 * 10**15).map(lambda micros: micros / 1e6)
        | st.sampled_from([float("nan"), float("inf"), -0.0, 1e-05, 1e300])
    )
)
def test_times_of_six_decimals_are_told_at_once_as_one_by_one(seconds: list[float]) -> None:
    t_ns, known = nanoseconds_of_floats(np.array(seconds, np.float64))
    for at, is_known in enumerate(known.tolist()):
        assert t_ns[at] == (nanoseconds_of_float(seconds[at]) if is_known else 0)


def test_times_as_recorders_write_them_are_told() -> None:
    micros = np.arange(1_700_000_000_000_000, 1_700_000_003_000_000, 997)
    t_ns, known = nanoseconds_of_floats(micros / 1e6)
    assert known.all()
    assert (t_ns == micros * 1000).all()
