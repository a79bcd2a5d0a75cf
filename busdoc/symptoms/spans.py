"""Spans of time on a line: joined, cut, and how a symptom goes on through the restarts of its controller."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from busdoc.symptoms.symptom import ShowingSpan
from busdoc.times import SECOND_NS

__all__ = ["Spans", "cut_at_restarts", "joined", "overlap", "without"]

Spans = tuple[tuple[int, int], ...]

_FIRST_LOOK_NS = SECOND_NS
"""A controller that is back says what is active within so long (SAE J1939-73 5.7.1: once a second)."""
_SHORTEST_NS = SECOND_NS // 4
"""What is left of a showing after a restart, and is shorter, is the message that ends it."""


def joined(spans: Iterable[tuple[int, int]], gap_ns: int = 0) -> Spans:
    """Join spans that overlap, or lie no further apart than `gap_ns`; ascending.

    >>> joined([(5, 9), (0, 3), (8, 12)]), joined([(0, 3), (5, 9)], 2)
    (((0, 3), (5, 12)), ((0, 9),))
    """
    found: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(spans):
        if found and from_ns - found[-1][1] <= gap_ns:
            found[-1] = (found[-1][0], max(found[-1][1], to_ns))
        else:
            found.append((from_ns, to_ns))
    return tuple(found)


def overlap(one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]]) -> Spans:
    """Give what lies in both; each ascending and apart.

    >>> overlap([(0, 10), (20, 30)], [(5, 25)])
    ((5, 10), (20, 25))
    """
    found = []
    i = j = 0
    while i < len(one) and j < len(other):
        from_ns, to_ns = max(one[i][0], other[j][0]), min(one[i][1], other[j][1])
        if from_ns < to_ns:
            found.append((from_ns, to_ns))
        if one[i][1] < other[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


def without(within: tuple[int, int], taken: Iterable[tuple[int, int]]) -> Spans:
    """Give what is left of a span.

    >>> without((0, 10), [(2, 3), (8, 20)])
    ((0, 2), (3, 8))
    """
    found = []
    here_ns = within[0]
    for from_ns, to_ns in joined(taken):
        if from_ns > here_ns:
            found.append((here_ns, min(from_ns, within[1])))
        here_ns = max(here_ns, to_ns)
        if here_ns >= within[1]:
            return tuple(found)
    return (*found, (here_ns, within[1]))


def cut_at_restarts(
    spans: Iterable[ShowingSpan], restarts: Sequence[tuple[int, int | None]], could: Spans
) -> tuple[ShowingSpan, ...]:
    """Let a symptom begin anew with each start of its controller: what shows after it came with it, or was still there.

    Parameters
    ----------
    restarts : (down, back) of the controller, ns, ascending; back None: it is still away
    could : when it could be seen
    """
    found: list[ShowingSpan] = []
    for span in spans:
        rest: ShowingSpan | None = span
        for down_ns, back_ns in restarts:
            if rest is None:
                break
            if back_ns is not None and back_ns <= rest.since_ns:
                if rest.not_yet_ns is None or rest.not_yet_ns < back_ns:
                    rest = replace(rest, not_yet_ns=back_ns)
            elif rest.gone_ns is None or down_ns < rest.gone_ns:
                if down_ns > rest.since_ns:
                    found.append(replace(rest, still_ns=min(rest.still_ns, down_ns), gone_ns=down_ns))
                rest = None if back_ns is None else _after(rest, back_ns, could)
        if rest is not None:
            found.append(rest)
    return tuple(found)


def _after(span: ShowingSpan, back_ns: int, could: Spans) -> ShowingSpan | None:
    """Give what is left of a showing once its controller is back, if anything is."""
    began_ns = next((a for a, b in could if b > back_ns), None)
    if began_ns is None:
        return None
    looked_ns = began_ns if began_ns > back_ns else back_ns + _FIRST_LOOK_NS
    if span.gone_ns is not None and span.gone_ns <= looked_ns + _SHORTEST_NS:
        return None
    return replace(span, since_ns=looked_ns, not_yet_ns=back_ns, still_ns=max(span.still_ns, looked_ns))
