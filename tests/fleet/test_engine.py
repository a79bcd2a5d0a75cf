"""Dask's workers: every task comes back once, and one that ends its workers comes back as a row."""

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest

from busdoc.errors import InputError
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Judged, Outcome, Task
from busdoc.many.work.engine import DaskEngine, open_dask
from tests.typed import Run


def tasks(n: int) -> Iterator[Task]:
    yield from (Task(number=k, capture=FleetCapture(files=(f"{k}.log",), machine="x")) for k in range(n))


def work(task: Task) -> Judged:
    if task.number == 5:
        raise RuntimeError("its worker ended")
    return Judged(number=task.number, outcome=Outcome.JUDGED)


def test_every_task_comes_back_once_and_one_that_ends_its_workers_is_a_row() -> None:
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,  # type: ignore[no-untyped-call]
        Client(cluster) as client,  # type: ignore[no-untyped-call]
    ):
        engine = DaskEngine(client, work=work)
        found = {one.number: one for one in engine.run(tasks(40))}
    assert sorted(found) == list(range(40))
    failed = [one for one in found.values() if one.outcome is not Outcome.JUDGED]
    assert [one.number for one in failed] == [5]
    assert "ended each time it was tried" in failed[0].sentence


def test_a_scheduler_that_does_not_answer_is_one_sentence() -> None:
    with (
        pytest.raises(InputError, match="expected a Dask scheduler with workers"),
        open_dask("nonsense://127.0.0.1:1", None),
    ):
        pass


def test_without_dask_one_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, run: Run
) -> None:
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "distributed" else find(name))
    (tmp_path / "a.log").write_text("(1.0) can0 123#00\n", encoding="ascii")
    status, _, told = run("fleet", tmp_path / "a.log", "-o", tmp_path / "out")
    assert status == 2
    assert told.count("\n") == 1
    assert "python -m pip install dask distributed. Or add --workers 0" in told
