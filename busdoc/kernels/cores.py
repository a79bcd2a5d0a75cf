"""How many cores this process may keep busy: all that it has, or one, where each core has a recording of its own.

Threads are started through `threads` alone, so that a process that is kept to one core does one thing at a time.
"""

import os
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import Any

__all__ = ["cores", "keep_to_one_core", "threads"]

_kept_to_one = False


def cores() -> int:
    """Give how many cores this process may keep busy, at least one."""
    if _kept_to_one:
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def keep_to_one_core() -> None:
    """Leave the other cores to other processes from now on, as one of many workers does."""
    global _kept_to_one
    _kept_to_one = True


def threads(n_threads: int, name: str) -> Executor:
    """Give so many threads; with one core none at all: each work is done where it is handed in."""
    return _AtOnce() if cores() == 1 else ThreadPoolExecutor(n_threads, name)


class _AtOnce(Executor):
    """Does each work at once, in the thread that hands it in."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> "Future[Any]":
        """Do it; what it raises is raised by the future's result, as with threads."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future
