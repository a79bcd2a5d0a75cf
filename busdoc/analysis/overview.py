"""What is shown of a result: picked out, counted and grouped once, for every renderer."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log10
from typing import TYPE_CHECKING, TypeVar

from busdoc.actions.action import Action
from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind
from busdoc.isolation.verdict import Because, IsolationVerdict, NextTest, Suspect
from busdoc.machine.controller_spec import Identity
from busdoc.words.duration import duration

if TYPE_CHECKING:
    from busdoc.intermittent.precursors.precursor import Precursor

__all__ = [
    "LikeIncidents",
    "action_behind",
    "cleared_parts",
    "codes_of",
    "identifiers_by_period",
    "in_step_identifiers",
    "incidents_to_tell",
    "like_incidents",
    "open_suspects",
    "silent_ns",
    "warnings_of",
    "worth_listing",
    "worth_making",
]

_Tested = TypeVar("_Tested", bound="Precursor")
_MANY_IDENTIFIERS = 12
"""More identifiers that nobody owns than that are a table and no pictures."""
_WORTH_TESTING = 0.02
"""Bits that a test must be expected to tell before it is proposed."""


def incidents_to_tell(result: Result) -> tuple[int, ...]:
    """Give the numbers, from 1, of all incidents but fault codes, which have a list of their own."""
    return tuple(n for n, one in enumerate(result.incidents, start=1) if one.kind is not IncidentKind.CODE)


def in_step_identifiers(controllers: Sequence[ControllerHealth]) -> tuple[ControllerHealth, ...]:
    """Give the identifiers that stand for themselves and were never missing, where they are many; else nothing."""
    bare = tuple(
        one
        for one in controllers
        if one.identity == Identity()
        and len(one.streams) == 1
        and one.state in (ControllerState.STEADY, ControllerState.NOT_JUDGED)
        and not (one.absences or one.dropouts or one.restarts)
    )
    return bare if len(bare) > _MANY_IDENTIFIERS else ()


def identifiers_by_period(bare: Sequence[ControllerHealth]) -> list[tuple[str, list[str]]]:
    """Group identifiers by their periods, quickest first; those without a rhythm come last.

    Returns
    -------
    (title, names), the names ascending
    """
    by_title: dict[tuple[str, float, str], list[str]] = {}
    for one in bare:
        (stream,) = one.streams
        name, on, channel = one.name.removeprefix("id ").partition(" on ")
        rounded_ns = _round(stream.period_ns) if stream.cyclic and stream.period_ns else None
        rhythm = "in no rhythm" if rounded_ns is None else f"every {duration(rounded_ns)}"
        by_title.setdefault((channel, rounded_ns or inf, f"{rhythm}{on}{channel}"), []).append(name)
    return [(title, sorted(names)) for (_, _, title), names in sorted(by_title.items())]


def _round(period_ns: int) -> int:
    """Give a period to two digits: what differs by less is one rhythm."""
    return round(period_ns, 1 - int(log10(max(period_ns, 1))))


def action_behind(result: Result, because: Because) -> Action | None:
    """Give the recorded action that an incident answers to; None: there is none."""
    return next((action for action in result.actions if action.n == because.action), None)


def silent_ns(incident: Incident) -> int:
    """Give for how long an incident's silence was seen to last."""
    return (incident.back_ns if incident.back_ns is not None else incident.onset_ns) - incident.last_seen_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class LikeIncidents:
    """Incidents of one kind, with one cause."""

    numbers: tuple[int, ...]
    """From 1, ascending."""
    expected: bool
    typical: int
    """The number of the one whose silence is the median."""
    shortest_ns: int | None
    """The shortest silence of those that ended; None: none did."""
    longest_ns: int | None


def like_incidents(result: Result, numbers: Sequence[int]) -> list[LikeIncidents]:
    """Put like incidents together; what needs an explanation comes first, then the many before the few."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for n in numbers:
        incident, because = result.incidents[n - 1], result.because[n - 1]
        action = action_behind(result, because)
        cause = None if action is None else (action.kind, action.part, action.into)
        key = (incident.kind, tuple(sorted(incident.controllers)), incident.ran_on, because.expected, cause)
        groups.setdefault(key, []).append(n)
    made = [_like(result, numbers) for numbers in groups.values()]
    return sorted(made, key=lambda group: (group.expected, -len(group.numbers), group.numbers[0]))


def _like(result: Result, numbers: Sequence[int]) -> LikeIncidents:
    lengths = sorted((silent_ns(result.incidents[n - 1]), n) for n in numbers)
    ended = [length for length, n in lengths if result.incidents[n - 1].back_ns is not None]
    return LikeIncidents(
        numbers=tuple(numbers),
        expected=result.because[numbers[0] - 1].expected,
        typical=lengths[len(lengths) // 2][1],
        shortest_ns=ended[0] if ended else None,
        longest_ns=ended[-1] if ended else None,
    )


def warnings_of(result: Result) -> tuple[str, ...]:
    """Give what makes the data doubtful, each once."""
    return tuple(dict.fromkeys((*result.warnings, *result.health.warnings)))


def codes_of(result: Result, controller: str) -> int:
    """Count the fault codes that a controller raised."""
    return sum(code.controller == controller for code in result.codes)


def worth_listing(tested: Sequence[_Tested], in_vain: int) -> list[_Tested]:
    """Give, in their order, all that was found to go before dropouts, and the first few that were tried in vain."""
    vain = [one for one in tested if not one.found][:in_vain]
    return [one for one in tested if one.found or one in vain]


def open_suspects(verdict: IsolationVerdict, least: float) -> tuple[Suspect, ...]:
    """Give the suspects that are not cleared, highest first.

    Parameters
    ----------
    least : probability from which they are shown
    """
    return tuple(one for one in verdict.suspects if not one.cleared and one.probability >= least)


def cleared_parts(verdict: IsolationVerdict) -> tuple[Suspect, ...]:
    """Give the parts that are cleared."""
    return tuple(one for one in verdict.suspects if one.cleared)


def worth_making(verdict: IsolationVerdict, most: int) -> tuple[NextTest, ...]:
    """Give the tests that are expected to tell or to prove something; one without steps, to watch, always is."""
    worth = [test for test in verdict.next_tests if test.gain_bits >= _WORTH_TESTING or not test.steps or test.proof]
    return tuple(worth[:most])
