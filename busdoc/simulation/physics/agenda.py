"""The clock of a simulated machine, and what will happen by itself."""

import heapq
from collections.abc import Callable

__all__ = ["Agenda"]


class Agenda:
    """Things to come, each at its time; two of the same instant in the order in which they were planned."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._to_come: list[tuple[float, int, Callable[[], None]]] = []
        self._n_planned = 0

    def plan(self, at_s: float, happen: Callable[[], None]) -> None:
        """Let something happen at a moment, s."""
        self._n_planned += 1
        heapq.heappush(self._to_come, (at_s, self._n_planned, happen))

    def advance(self, dt_s: float) -> None:
        """Let time pass, and happen what is due."""
        until_s = self.now_s + dt_s
        while self._to_come and self._to_come[0][0] <= until_s:
            self.now_s, _, happen = heapq.heappop(self._to_come)
            happen()
        self.now_s = until_s
