"""How the parts under suspicion are named: which are worth naming, and which one is called the culprit."""

from collections.abc import Iterable, Sequence

from busdoc.isolation.verdict import ELSEWHERE, NAMED_FROM, SUSPECTED_FROM, Suspect
from busdoc.words.counting import plural
from busdoc.words.probability import odds

__all__ = [
    "culprit_in_words",
    "is_named",
    "likely",
    "part_in_words",
    "parts_at_fault",
    "suspects_in_words",
]


def likely(suspects: Iterable[Suspect], most: int = 4) -> tuple[Suspect, ...]:
    """Give the suspects that are worth naming, highest first."""
    return tuple(one for one in suspects if one.probability >= SUSPECTED_FROM and not one.cleared)[:most]


def is_named(suspect: Suspect) -> bool:
    """Whether a suspect is called the culprit."""
    return suspect.probability >= NAMED_FROM and suspect.part != ELSEWHERE


def part_in_words(suspect: Suspect) -> str:
    """Name a suspect in a table.

    >>> part_in_words(Suspect(part=ELSEWHERE, probability=0.3, cleared=False, why=()))
    'elsewhere (no part on the map)'
    """
    return "elsewhere (no part on the map)" if suspect.part == ELSEWHERE else suspect.part


def culprit_in_words(suspect: Suspect) -> str:
    """Name the culprit, and how surely.

    >>> culprit_in_words(Suspect(part="harness-2", probability=0.97, cleared=False, why=()))
    'harness-2 (97 %)'
    """
    return f"{suspect.part} ({odds(suspect.probability)})"


def parts_at_fault(named: Sequence[Suspect], others: Iterable[Suspect] = ()) -> str:
    """Say in sentences which parts are at fault, all of them, and who is suspected beside.

    >>> one, two = (Suspect(part=part, probability=0.97, cleared=False, why=()) for part in ("fan-plug", "fuse-3"))
    >>> parts_at_fault([one, two])
    'Parts at fault: fan-plug (97 %), fuse-3 (97 %).'
    """
    text = f"{plural(len(named), 'Part')} at fault: {', '.join(map(culprit_in_words, named))}."
    beside = suspects_in_words(others)
    return f"{text} Suspected beside: {beside}." if beside else text


def suspects_in_words(suspects: Iterable[Suspect]) -> str:
    """List those that are suspected, and how much; empty when nobody is.

    >>> suspects_in_words([Suspect(part=ELSEWHERE, probability=0.3, cleared=False, why=())])
    'a part that the map does not show 30 %'
    """
    return ", ".join(
        f"{'a part that the map does not show' if one.part == ELSEWHERE else one.part} {odds(one.probability)}"
        for one in suspects
    )
