"""What has captures judged: this process, or the workers of a Dask cluster, here or elsewhere.

An engine takes tasks one by one as it has room for them, and gives back what came of each in the order of finishing; so
neither this process nor the scheduler ever holds more than a few a worker.
"""

import contextlib
import importlib.util
import logging
import time
from collections.abc import Callable, Iterator
from importlib import metadata
from typing import Any, Protocol

from busdoc.errors import BusdocError, InputError, in_one_line
from busdoc.kernels.cores import cores
from busdoc.many.judged import Judged, Outcome, Task
from busdoc.many.work.judging import judge, judge_on_one_core

__all__ = ["SETTINGS", "ClusterEnded", "DaskEngine", "Engine", "Here", "open_dask"]

_AHEAD = 3
"""Tasks a worker thread has with it: one under way, and what it takes next without a way to the scheduler and back."""
_WORKER_BYTES = 1_500_000_000
"""What a worker may need: the bound of one post-mortem, its report, and the libraries."""
_RETRIES = 2
"""How often a task that ended its workers is given out again, beside what the cluster itself retries."""
SETTINGS = {
    "distributed.comm.timeouts.connect": "20s",
    # Dask samples its own event loop and keeps a tree of calls for each second, which nobody looks at here
    "distributed.worker.profile.enabled": False,
    "distributed.admin.system-monitor.log-length": 600,
    # of each connection the last thousand messages are kept, of up to a megabyte each, for who looks into Dask itself
    "distributed.admin.low-level-log-length": 20,
}
"""Of Dask, for a run over a fleet."""
_WAIT_S = 60.0
_COUNT_EVERY_S = 1.0


class ClusterEnded(BusdocError):
    """The cluster went away in mid-run; what is done is kept."""


class Engine(Protocol):
    """Judges captures."""

    @property
    def n_workers(self) -> int:
        """Worker threads that there are; 0: it has none."""
        ...

    def run(self, tasks: Iterator[Task]) -> Iterator[Judged]:
        """Judge each task; yield in the order of finishing."""
        ...


class Here:
    """Judges in the process that runs it, one capture after the other."""

    n_workers = 0

    def run(self, tasks: Iterator[Task]) -> Iterator[Judged]:
        """Judge each task in turn."""
        yield from map(judge, tasks)


class DaskEngine:
    """The workers of a Dask cluster.

    Parameters
    ----------
    client : of `distributed`, connected
    work : what a worker does with a task
    """

    def __init__(
        self, client: Any, *, dashboard: str | None = None, work: Callable[[Task], Judged] = judge_on_one_core
    ) -> None:
        self._client = client
        self._work = work
        self.dashboard = dashboard
        self._n_workers, self._counted_s = 0, -_COUNT_EVERY_S

    @property
    def n_workers(self) -> int:
        """Worker threads that there are now, or were a second ago."""
        now_s = time.monotonic()
        if now_s - self._counted_s >= _COUNT_EVERY_S:
            self._n_workers, self._counted_s = sum(self._client.nthreads().values()), now_s
        return self._n_workers

    def run(self, tasks: Iterator[Task]) -> Iterator[Judged]:
        """Judge the tasks on whatever workers there are, while they come and go.

        Raises
        ------
        ClusterEnded : the scheduler went away
        """
        from distributed import as_completed

        left: dict[Any, tuple[Task, int]] = {}
        done = as_completed()  # type: ignore[no-untyped-call]

        def hand_out(task: Task, tries: int) -> None:
            future = self._client.submit(self._work, task, pure=False, key=f"judge-{task.number}-{tries}")
            left[future.key] = (task, tries)
            done.add(future)  # type: ignore[no-untyped-call]

        def fill() -> None:
            room = max(4, _AHEAD * self.n_workers)
            while len(left) < room:
                task = next(tasks, None)
                if task is None:
                    return
                hand_out(task, 0)

        try:
            fill()
            while left:
                future = next(done)
                task, tries = left.pop(future.key)
                error = future.exception() if future.status != "cancelled" else _Gone()
                if error is None:
                    yield future.result()
                elif isinstance(error, _Gone) or not self._alive():
                    raise ClusterEnded("the scheduler of the cluster ended")
                elif tries < _RETRIES:  # its worker died under it: of it, or of something else
                    hand_out(task, tries + 1)
                else:
                    yield _ended(task, error)
                del future  # lets go of the result, here and on the worker
                fill()
        except (OSError, TimeoutError, StopIteration) as error:
            raise ClusterEnded(f"the cluster does not answer any more ({in_one_line(error)})") from error

    def _alive(self) -> bool:
        return str(self._client.status) == "running"


class _Gone(Exception):
    """A task was cancelled: there is no scheduler any more."""


@contextlib.contextmanager
def open_dask(
    address: str | None,
    n_workers: int | None,
    *,
    dashboard: bool = True,
    work: Callable[[Task], Judged] = judge_on_one_core,
) -> Iterator[DaskEngine]:
    """Start workers on this computer, or connect to a cluster, for as long as the context lasts.

    Parameters
    ----------
    address : of a scheduler, as Dask writes it; None: this computer
    n_workers : None: as many as cores and memory allow
    work : what a worker does with a task

    Raises
    ------
    InputError : Dask is missing, the cluster does not answer, or its workers have another busdoc
    """
    _require_dask()
    import dask
    from distributed import Client

    with contextlib.ExitStack() as stack:
        stack.enter_context(dask.config.set(SETTINGS))
        stack.enter_context(_silent())
        if address is None:
            count = _workers_here() if n_workers is None else n_workers
            cluster = stack.enter_context(_started(count, dashboard))
            client = stack.enter_context(Client(cluster))  # type: ignore[no-untyped-call]
        else:
            try:
                client = stack.enter_context(Client(address, timeout="20s"))  # type: ignore[no-untyped-call]
                client.wait_for_workers(1, timeout=_WAIT_S)
            except (OSError, TimeoutError, ValueError) as error:
                raise InputError(
                    f"--cluster {address}", "a Dask scheduler with workers", in_one_line(error), "Check its address."
                ) from error
            _require_same_version(client, address)
        shows = dashboard and importlib.util.find_spec("bokeh") is not None
        yield DaskEngine(client, dashboard=client.dashboard_link if shows else None, work=work)


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep the cluster's own remarks off the terminal: what they mean for the run is said in a sentence."""
    names = ["distributed", *(name for name in logging.root.manager.loggerDict if name.startswith("distributed."))]
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _started(n_workers: int, dashboard: bool) -> Any:
    """Start workers on this computer; one that dies before it is up has all of them started anew, once.

    Raises
    ------
    InputError : they cannot be started
    """
    from distributed import LocalCluster

    for is_last in (False, True):
        try:
            return LocalCluster(  # type: ignore[no-untyped-call]
                n_workers=n_workers,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0" if dashboard else None,
                silence_logs=50,
                preload=["busdoc.many.work.quiet_worker"],
            )
        except (RuntimeError, OSError, TimeoutError) as error:
            if is_last:
                advice = "Try fewer with --workers, or --workers 0 for none."
                raise InputError("--workers", "processes that can be started", in_one_line(error), advice) from error
    raise AssertionError("it returned or raised")


def _require_dask() -> None:
    """See that Dask is there.

    Raises
    ------
    InputError : it is not
    """
    if importlib.util.find_spec("distributed") is None:
        raise InputError(
            "busdoc fleet",
            "the libraries dask and distributed",
            "none",
            "Install them: python -m pip install dask distributed. "
            "Or add --workers 0 to judge one capture after the other.",
        )


def _require_same_version(client: Any, address: str) -> None:
    """See that the workers judge as this computer would.

    Raises
    ------
    InputError : one has another version, or none
    """
    here = metadata.version("busdoc")
    found = client.run(_version, on_error="return")
    for worker, version in found.items():
        if version != here:
            told = f"busdoc {version}" if isinstance(version, str) else f"none ({in_one_line(version)})"
            raise InputError(f"--cluster {address}", f"busdoc {here} on {worker}", told, "Install the same there.")


def _version() -> str:
    return metadata.version("busdoc")


def _workers_here() -> int:
    from distributed.system import MEMORY_LIMIT

    return max(1, min(cores(), int(MEMORY_LIMIT // _WORKER_BYTES)))


def _ended(task: Task, error: BaseException) -> Judged:
    sentence = (
        f"{task.capture.address}: the process that read it ended each time it was tried, as one does that runs out of "
        f"memory ({type(error).__name__}). Give it to busdoc postmortem by itself."
    )
    return Judged(number=task.number, outcome=Outcome.FAILED, sentence=sentence)
