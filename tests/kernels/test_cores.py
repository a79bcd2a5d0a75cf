"""A process that is kept to one core does one thing at a time, and gives the same."""

import threading

import pytest

from busdoc.kernels import cores as module
from busdoc.kernels.cores import cores, keep_to_one_core, threads


def test_a_process_kept_to_one_core_works_in_the_thread_that_hands_work_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_kept_to_one", False)
    keep_to_one_core()
    assert cores() == 1
    with threads(4, "some") as pool:
        done, failed = pool.submit(threading.current_thread), pool.submit(int, "x")
        assert list(pool.map(abs, [-1, 2])) == [1, 2]
        assert done.result() is threading.current_thread()
        with pytest.raises(ValueError, match="invalid literal"):
            failed.result()


def test_a_process_with_more_cores_has_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_kept_to_one", False)
    monkeypatch.setattr(module, "cores", lambda: 2)
    with threads(2, "some") as pool:
        assert pool.submit(threading.current_thread).result() is not threading.current_thread()
