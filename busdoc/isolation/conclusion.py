"""The one conclusion: what is the matter, which part it is, and how far its repair is proved.

Every section, on the terminal, in the report, in the JSON document and on the screen, is a view of it; none says more
than its state allows. One pure function of the verdict, so that a session at the machine and a recording of it conclude
the same.
"""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.isolation.verdict import (
    ELSEWHERE,
    NAMED_FROM,
    SUSPECTED_FROM,
    SWITCHED,
    IsolationVerdict,
    Quiet,
    Repair,
    Suspect,
)

__all__ = ["HEALTHY", "Conclusion", "State", "conclusion_of"]


class State(StrEnum):
    """Where the search stands."""

    HEALTHY = "healthy"
    UNEXPLAINED = "unexplained"
    """Something fell, and nothing tells which part."""
    NARROWED = "narrowed"
    """Some parts are likelier than others."""
    NAMED = "named"
    """A part is at fault."""
    REPAIRED = "repaired"
    """It was replaced, and that is being proved."""
    PROVED = "proved"
    CAME_BACK = "came-back"
    """It was not what was replaced, or not only that."""
    NOT_JUDGED = "not-judged"
    """The record is too short, or too thin, to tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What the record says, at one instant."""

    state: State
    at_ns: int = 0
    named: tuple[Suspect, ...] = ()
    """The parts at fault, likeliest first; those under repair and proved stay here as what it was."""
    suspects: tuple[Suspect, ...] = ()
    """What else is suspected, likeliest first, where the state has suspects."""
    repairs: tuple[Repair, ...] = ()
    """That the state speaks of, by time: those being proved, or those after which it came back."""
    quiet: Quiet | None = None
    """How long it must stay quiet, whatever for; None: nothing showed."""

    @property
    def part(self) -> str | None:
        """The part at fault; None: none is named."""
        return self.named[0].part if self.named else None

    @property
    def probability(self) -> float | None:
        """Of `part`."""
        return self.named[0].probability if self.named else None

    @property
    def quiet_ns(self) -> int | None:
        """How long it has been quiet since the last repair; None: there was none that the state speaks of."""
        return min((one.quiet_ns for one in self.repairs), default=None)

    @property
    def to_prove_ns(self) -> int | None:
        """How long it must stay quiet in all until a repair is proved with 95 %; None: nothing showed."""
        return None if self.quiet is None else self.quiet.needed_ns

    @property
    def left_ns(self) -> int | None:
        """How much more quiet proves it; None: no repair is being proved."""
        if self.state not in (State.REPAIRED, State.PROVED) or self.quiet_ns is None or self.to_prove_ns is None:
            return None
        return max(self.to_prove_ns - self.quiet_ns, 0)

    @property
    def accuses(self) -> bool:
        """Whether anybody is still under suspicion: not once the part was repaired."""
        return self.state in (State.NARROWED, State.NAMED, State.CAME_BACK)


HEALTHY = Conclusion(state=State.HEALTHY)
"""Of a record that nothing is known of yet (a name, by definition)."""


def conclusion_of(verdict: IsolationVerdict | None, *, troubled: bool, doubted: bool = False) -> Conclusion:
    """Conclude.

    Parameters
    ----------
    verdict : on the complaint; None: nothing could be isolated
    troubled : something fell, is missing or was reported
    doubted : an input is of another clock, or another machine: nobody is named by it
    """
    if verdict is None:
        return Conclusion(state=State.UNEXPLAINED if troubled else State.HEALTHY)
    if not troubled:
        return Conclusion(state=State.HEALTHY, at_ns=verdict.at_ns)
    at_ns, quiet = verdict.at_ns, verdict.quiet
    if doubted:
        return Conclusion(state=State.UNEXPLAINED, at_ns=at_ns, quiet=quiet)
    suspected = [one for one in verdict.suspects if one.probability >= SUSPECTED_FROM and not one.cleared]
    proving = tuple(one for one in verdict.repairs if one.part in verdict.proving)
    if proving:
        # Of two that were at fault the one that was replaced first is one of them still, and as sound as the other now.
        replaced = {one.part for one in verdict.repairs}
        named = tuple(
            one
            for one in verdict.suspects
            if one.part in verdict.proving or (one.part in replaced and one.probability >= NAMED_FROM)
        )
        others = tuple(one for one in suspected if one.part not in replaced)
        done = quiet is not None and all(one.quiet_ns >= quiet.needed_ns for one in proving)
        # What is likely beside the repaired part was there all along, and quiet; it keeps the proof from being one.
        proved = done and not any(one.part != ELSEWHERE for one in others)
        state = State.PROVED if proved else State.REPAIRED
        return Conclusion(state=state, at_ns=at_ns, named=named, repairs=proving, quiet=quiet)
    named = tuple(one for one in suspected if one.part != ELSEWHERE and one.probability >= NAMED_FROM)
    others = tuple(one for one in suspected if one not in named)
    last = verdict.repairs[-1] if verdict.repairs else None
    if last is not None and last.came_back_ns is not None:
        state, repairs = State.CAME_BACK, verdict.repairs[-1:]
    else:
        repairs = proving
        parts = [one for one in others if one.part not in (ELSEWHERE, SWITCHED)]
        state = State.NAMED if named else State.NARROWED if parts else State.UNEXPLAINED
    if state is State.UNEXPLAINED:
        others = ()
    return Conclusion(state=state, at_ns=at_ns, named=named, suspects=others, repairs=repairs, quiet=quiet)
