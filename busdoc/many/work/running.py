"""One run over a fleet: list what there is, leave out what is done, have the rest judged, keep what comes back."""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from busdoc.errors import BusdocError, InputError
from busdoc.many.intake.addresses import content_hash, is_remote, stamp_of
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Outcome, Reports, Task
from busdoc.many.kept.store import FleetStore
from busdoc.many.work.engine import ClusterEnded, Engine
from busdoc.many.work.keys import BesideKeys

__all__ = ["Follow", "RunSoFar", "list_captures", "run"]

_TELLS_FROM_S = 2.0
"""Before that, nothing is said of the time left: it would jump."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSoFar:
    """How far a run is."""

    n_captures: int
    n_done: int
    """Whatever came of them, earlier runs included."""
    n_known: int
    """Of them, those that an earlier run had done."""
    n_could_not: int
    n_workers: int
    left_s: float | None
    """None: it is too early to tell."""


Follow = Callable[[RunSoFar], None]


def list_captures(store: FleetStore, captures: Iterable[FleetCapture], *, zone: str | None = None) -> int:
    """Put all captures on the store's list, in place of what was on it; give their number.

    Raises
    ------
    InputError : a source cannot be used, or there is no capture at all
    """
    keys, n = BesideKeys(zone), 0
    store.begin_listing()
    for n, capture in enumerate(captures, start=1):
        store.list_capture(n, capture, keys.of(capture), sum(map(_bytes_of, capture.files)))
    if not n:
        raise InputError("busdoc fleet", "at least one capture", "none", "Name a folder, a manifest or captures.")
    store.end_listing()
    return n


def run(
    store: FleetStore,
    engine: Engine,
    *,
    zone: str | None = None,
    reports: Reports = Reports.ALL,
    follow: Follow | None = None,
    now_s: Callable[[], float] = time.monotonic,
) -> None:
    """Judge everything on the list that was not judged before.

    Parameters
    ----------
    follow : called after each capture with how far the run is

    Raises
    ------
    ClusterEnded : the cluster went away; what is done is kept, and another run goes on from there
    InputError : the store cannot be written
    """
    progress = _Progress(store, engine, follow, now_s)
    under_way: dict[int, tuple[FleetCapture, str, str | None, int]] = {}

    def tasks() -> Iterator[Task]:
        for number, capture, beside, n_bytes in store.waiting():
            stamp = stamp_of(capture.files)
            content = _known_content(store, capture, stamp, n_bytes)
            if content is not None and store.settle_known(number, content, beside, reports):
                progress.known(n_bytes)
                continue
            under_way[number] = (capture, beside, stamp, n_bytes)
            yield Task(number=number, capture=capture, zone=zone, reports=reports)

    try:
        for judged in engine.run(tasks()):
            capture, beside, stamp, n_bytes = under_way.pop(judged.number)
            store.settle(judged.number, capture, beside, judged, stamp)
            progress.judged(n_bytes, could_not=judged.outcome is not Outcome.JUDGED)
    except ClusterEnded as error:
        raise ClusterEnded(
            f"{error}: {progress.n_done:,} of {progress.n_captures:,} captures are done and kept. "
            "The same command goes on from there."
        ) from error


class _Progress:
    """Counts what is done, and says how long the rest will take: bytes are judged at a steady rate, nearly."""

    def __init__(self, store: FleetStore, engine: Engine, follow: Follow | None, now_s: Callable[[], float]) -> None:
        self._engine, self._follow, self._now_s = engine, follow, now_s
        self.n_captures = sum(store.counts().values())
        self.n_done = self._n_known = self._n_could_not = 0
        self._left_bytes = store.total_bytes()[0] + self.n_captures  # a byte each, for those of unknown size
        self._judged_bytes = 0
        self._began_s = now_s()

    def known(self, n_bytes: int) -> None:
        self.n_done += 1
        self._n_known += 1
        self._left_bytes -= n_bytes + 1
        self._tell()

    def judged(self, n_bytes: int, *, could_not: bool) -> None:
        self.n_done += 1
        self._n_could_not += could_not
        self._left_bytes -= n_bytes + 1
        self._judged_bytes += n_bytes + 1
        self._tell()

    def _tell(self) -> None:
        if self._follow is None:
            return
        passed_s = self._now_s() - self._began_s
        tells = self._judged_bytes > 0 and passed_s >= _TELLS_FROM_S
        self._follow(
            RunSoFar(
                n_captures=self.n_captures,
                n_done=self.n_done,
                n_known=self._n_known,
                n_could_not=self._n_could_not,
                n_workers=self._engine.n_workers,
                left_s=passed_s * self._left_bytes / self._judged_bytes if tells else None,
            )
        )


def _known_content(store: FleetStore, capture: FleetCapture, stamp: str | None, n_bytes: int) -> str | None:
    """Give the content where it is known without judging: by its stamp, or read where the same may be done already."""
    if stamp is not None:
        known = store.known_content(capture.address, stamp)
        if known is not None:
            return known
    if any(map(is_remote, capture.files)) or not store.has_judged_of_size(n_bytes):
        return None
    try:
        return content_hash([Path(file) for file in capture.files])
    except (OSError, BusdocError):
        return None


def _bytes_of(address: str) -> int:
    if is_remote(address):
        return 0
    try:
        path = Path(address)
        if path.is_dir():
            return sum(entry.stat().st_size for entry in path.rglob("*") if entry.is_file())
        return os.path.getsize(path)
    except OSError:
        return 0
