"""A session's store in two places: what is written is in one of them at least; the other catches up when it is back."""

import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any

from busdoc.errors import InputError
from busdoc.session.rows import StoredRows
from busdoc.session.store import SessionStore

__all__ = ["TwofoldStore", "even_out_stores"]

_TRY_EVERY_S = 0.5


class TwofoldStore(SessionStore):
    """Writes to two stores that hold the same; one that refuses is away until it can be brought up to the other.

    Parameters
    ----------
    first, second : opened, and holding the same rows
    """

    def __init__(
        self, first: SessionStore, second: SessionStore, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = first.path
        self._paths = (first.path, second.path)
        self._stores: list[SessionStore | None] = [first, second]
        self._clock_s = clock_s
        self._tried_s = clock_s()

    @property
    def in_place(self) -> tuple[bool, bool]:
        """Which of the two is not away."""
        return self._stores[0] is not None, self._stores[1] is not None

    def rows(self) -> StoredRows:
        """Give what it holds, as far as it is whole."""
        return self._good.rows()

    def incidents(self) -> dict[str, Mapping[str, Any]]:
        """Give the incidents as last kept."""
        return self._good.incidents()

    def close(self) -> None:
        """Let go of both; one that is back is brought up to date first."""
        self._take_back(at_once=True)
        for store in self._stores:
            if store is not None:
                with suppress(sqlite3.Error):
                    store.close()

    @property
    def _good(self) -> SessionStore:
        return next(store for store in self._stores if store is not None)

    def _write(self, statement: str, rows: Sequence[tuple[Any, ...]]) -> None:
        self._take_back()
        there = [n for n, store in enumerate(self._stores) if store is not None]
        refused: dict[int, InputError] = {}
        for n in there:
            store = self._stores[n]
            assert store is not None
            try:
                store.write(statement, rows)
            except InputError as error:
                refused[n] = error
        if len(refused) == len(there):  # neither has it: nothing was logged
            raise next(iter(refused.values()))
        for n in refused:
            self._let_go(n)

    def _let_go(self, n: int) -> None:
        store, self._stores[n] = self._stores[n], None
        if store is not None:
            with suppress(sqlite3.Error):
                store.close()

    def _take_back(self, *, at_once: bool = False) -> None:
        """Open a place that is back, and bring it up to the other."""
        now_s = self._clock_s()
        if all(self.in_place) or (not at_once and now_s - self._tried_s < _TRY_EVERY_S):
            return
        self._tried_s = now_s
        n = self.in_place.index(False)
        path = self._paths[n]
        try:
            if not path.is_file() or not path.stat().st_size:
                return
            store = SessionStore(path)
        except (OSError, InputError):
            return
        try:
            even_out_stores(self._good, store)
        except InputError:
            store.close()
            return
        self._stores[n] = store


def even_out_stores(one: SessionStore, other: SessionStore) -> None:
    """Bring the store that holds fewer rows up to the other.

    Raises
    ------
    InputError : neither holds the beginning of the other: they are of two sessions
    """
    rows = [store.raw_rows() for store in (one, other)]
    first_is_longer = len(rows[0]) >= len(rows[1])
    longer, shorter = (one, other) if first_is_longer else (other, one)
    more, fewer = (rows[0], rows[1]) if first_is_longer else (rows[1], rows[0])
    began = [store.rows().about.get("began") for store in (one, other)]
    if more[: len(fewer)] != fewer or (began[0] != began[1] and None not in began):
        raise InputError(
            str(other.path), f"the session of {one.path.parent}", "another session", "Name another folder with --also."
        )
    shorter.take_over(longer, more[len(fewer) :])
