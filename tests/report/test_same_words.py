"""Terminal and record say the same of the same thing, and each thing once."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape

import pytest

from busdoc.analysis.overview import incidents_to_tell, like_incidents, worth_making
from busdoc.analysis.result import Result
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.isolation.verdict import Because
from busdoc.report.record.html import html
from busdoc.report.terminal.terminal import Extent, render
from busdoc.report.words.headline import headline
from busdoc.report.words.incidents import answer_in_words, away_in_words, onset_in_words
from busdoc.report.words.next_test import next_test_in_words
from busdoc.report.words.wire import traffic_in_words
from tests.report import record_results as made

S = made.S


def silence(*, channel: int, back: bool, kind: IncidentKind = IncidentKind.BUS_SILENCE, names: int = 0) -> Incident:
    """Something that began 100 s after the start, and was over 5 s later if it came back."""
    from_ns = made.START_NS + 100 * S
    return Incident(
        kind=kind,
        channel=channel,
        controllers=tuple(f"unit-{k}" for k in range(names)),
        last_seen_ns=from_ns,
        onset_ns=from_ns + S // 10,
        back_ns=from_ns + 5 * S if back else None,
        steady_ns=None,
        ran_on=RanOn.UNKNOWN,
        p_restarted=None,
        losses=(),
    )


def with_incidents(*incidents: Incident) -> Result:
    """Give the record of one bad branch on two buses, with other incidents that nothing explains."""
    result = made.one_branch()
    because = tuple(
        Because(incident=k, action=None, probability=0.0, spontaneous=0.97, lag_ns=None, expected=False)
        for k in range(len(incidents))
    )
    return replace(
        result,
        capture=replace(result.capture, channel_names=((0, "can0"), (1, "can1"))),
        health=replace(result.health, incidents=incidents),
        incidents=incidents,
        because=because,
    )


MADE: dict[str, Callable[[], Result]] = {
    "one branch": made.one_branch,
    "a bus of two": lambda: with_incidents(silence(channel=1, back=True)),
    "a bus of two to the end": lambda: with_incidents(silence(channel=1, back=False)),
    "more names than are listed": lambda: with_incidents(
        silence(channel=0, back=False, kind=IncidentKind.DROPOUT, names=9)
    ),
    "late to the end": lambda: with_incidents(silence(channel=0, back=False, kind=IncidentKind.LATE, names=1)),
    "a gap of the recorder": lambda: with_incidents(silence(channel=0, back=True, kind=IncidentKind.CAPTURE_GAP)),
}


def plain(text: str) -> str:
    """Take markup and line breaks away, and the case of letters that begin a sentence."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", text)).split()).casefold()


def record_of(result: Result) -> str:
    return plain(html(result, written=datetime(2024, 5, 6, 7, 8, tzinfo=UTC)))


@pytest.mark.parametrize("kind", MADE)
def test_terminal_and_record_use_the_same_sentences(kind: str) -> None:
    result = MADE[kind]()
    by_n = {action.n: action for action in result.actions}
    sentences = [headline(result)]
    sentences += [onset_in_words(one, result.capture.channel_names) for one in result.incidents]
    sentences += [
        answer_in_words(because, by_n)
        for one, because in zip(result.incidents, result.because, strict=True)
        if one.kind is not IncidentKind.CAPTURE_GAP
    ]
    sentences += [traffic_in_words(wire) for wire in result.health.wire]
    if result.isolation is not None and result.trouble:
        sentences += [next_test_in_words(test) for test in worth_making(result.isolation, 3)]
    on_terminal, on_record = plain(render(result, width=100, extent=Extent.ALL)), record_of(result)
    for sentence in sentences:
        assert plain(sentence) in on_terminal
        assert plain(sentence) in on_record


def test_a_bus_is_named_where_there_are_two() -> None:
    result = MADE["a bus of two"]()
    assert "The whole bus on can1 fell silent once" in headline(result)
    assert "the whole bus on can1 fell silent, back after 5.0 s" in record_of(result)
    one_bus = replace(result, capture=replace(result.capture, channel_names=((1, "can1"),)))
    assert "the whole bus fell silent, back after 5.0 s" in record_of(one_bus)


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        (IncidentKind.DROPOUT, "silent to the end"),
        (IncidentKind.BUS_SILENCE, "to the end"),
        (IncidentKind.LATE, "to the end"),
        (IncidentKind.RESTART, ""),
        (IncidentKind.CODE, ""),
    ],
)
def test_what_did_not_end_is_told_so_where_that_means_something(kind: IncidentKind, said: str) -> None:
    assert away_in_words(silence(channel=0, back=False, kind=kind, names=1)) == said


def test_like_incidents_are_told_together_with_the_median_one_as_their_example() -> None:
    lengths_s = (9.0, 2.0, 4.0)
    result = with_incidents(*(made.dropout("hopper", 60.0 * (k + 1), length_s) for k, length_s in enumerate(lengths_s)))
    numbers = incidents_to_tell(result)
    assert numbers == (1, 2, 3)
    [group] = like_incidents(result, numbers)
    assert (group.numbers, group.typical, group.expected) == ((1, 2, 3), 3, False)
    assert (group.shortest_ns, group.longest_ns) == (2 * S, 9 * S)
