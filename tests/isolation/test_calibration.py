"""Are the probabilities true: a small set of simulated sessions, on seeds that no constant was settled on.

`benchmarks/isolation_calibration.py` measures the same on many more.
"""

from functools import lru_cache

import numpy as np
import pytest

from tests.truth.calibration import Judged, bin_table, judge_all
from tests.truth.isolation_sessions import SessionKind
from tests.truth.journal_slips import SLIPS, holds_up, judge_slips
from tests.truth.sufficiency import suffices

SEEDS = range(50_000, 50_020)


@lru_cache(maxsize=1)
def sessions() -> tuple[Judged, ...]:
    return tuple(judge_all(SEEDS))


def test_in_every_bin_the_truth_is_what_was_said() -> None:
    table = bin_table(sessions())
    assert [row for row in table if not row.holds] == []
    assert table[-1].n >= 20


def test_the_innocent_are_not_accused() -> None:
    accused = [judged for judged in sessions() if judged.worst_innocent >= 0.8]
    assert len(accused) <= 1  # of 140: at most one in 200 is expected


def test_the_culprit_is_first_where_the_record_suffices() -> None:
    enough = [judged for judged in sessions() if suffices(judged.session)]
    assert len(enough) >= 20
    assert np.mean([judged.on_top in judged.guilty for judged in enough]) >= 0.95


def test_spontaneous_restarts_are_elsewhere() -> None:
    some = [judged for judged in sessions() if judged.session.kind is SessionKind.SPONTANEOUS]
    assert np.mean([judged.in_top(1) for judged in some]) >= 0.85


@pytest.mark.parametrize("what", SLIPS)
def test_one_slip_in_the_journal_does_not_mislead(what: str) -> None:
    some = judge_slips(range(50_000, 50_012), what)
    assert len(some) >= 12
    assert np.mean([holds_up(judged) for judged in some]) >= 0.9  # the benchmark asks 0.95 of hundreds
