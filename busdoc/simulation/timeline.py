"""When each controller ran and was heard, from the events of a world."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busdoc.simulation.world import WorldEvent

__all__ = ["Absence", "Stint", "absences", "stints"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stint:
    """One uninterrupted run of a controller's software."""

    start_s: float
    end_s: float
    fresh: bool
    """It started within the capture; False: it was running when the capture began."""
    heard: tuple[tuple[float, float], ...]
    """(from, to) in seconds, ascending: when its frames reached the diagnostic port."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    """A controller away from the bus."""

    controller: str
    lost_s: float
    back_s: float | None
    cause: str
    restarted: bool
    """It started anew in between (for one that is still away: it has stopped)."""
    act: int | None


def stints(events: Iterable[WorldEvent], controller: str, *, up_at_start: bool, until_s: float) -> tuple[Stint, ...]:
    """Give a controller's stints, ascending, the last one cut at `until_s`."""
    done: list[Stint] = []
    start_s, fresh, heard_from = 0.0, False, 0.0 if up_at_start else None
    heard: list[tuple[float, float]] = []

    def close() -> None:
        if heard:
            done.append(Stint(start_s=start_s, end_s=heard[-1][1], fresh=fresh, heard=tuple(heard)))
            heard.clear()

    for event in events:
        if event.controller != controller or event.time_s > until_s:
            continue
        if event.kind == "lost" and heard_from is not None:
            heard.append((heard_from, event.time_s))
            heard_from = None
        elif event.kind == "back":
            if event.restarted:
                close()
                start_s, fresh = event.time_s, True
            heard_from = event.time_s
    if heard_from is not None:
        heard.append((heard_from, until_s))
    close()
    return tuple(done)


def absences(events: Sequence[WorldEvent], until_s: float) -> tuple[Absence, ...]:
    """Pair every loss with its return, ascending by loss."""
    found: list[Absence] = []
    for k, event in enumerate(events):
        if event.kind != "lost" or event.time_s >= until_s:
            continue
        back = next((e for e in events[k + 1 :] if e.controller == event.controller and e.kind == "back"), None)
        if back is not None and back.time_s >= until_s:
            back = None
        found.append(
            Absence(
                controller=event.controller,
                lost_s=event.time_s,
                back_s=None if back is None else back.time_s,
                cause=event.cause,
                restarted=event.restarted if back is None else back.restarted,
                act=event.action,
            )
        )
    return tuple(found)
