"""The record's part on which part it is: trials, suspects, what was cleared and how, and the next test."""

from collections.abc import Iterator, Sequence

from busdoc.analysis.overview import cleared_parts, open_suspects, worth_making
from busdoc.analysis.result import Result
from busdoc.isolation.conclusion import State
from busdoc.isolation.verdict import IsolationVerdict, NextTest, Outcome, Suspect
from busdoc.report.record.page import Align, Block, Column, Items, Section, Table, Text, Tone
from busdoc.report.words.next_test import next_test_in_words
from busdoc.report.words.suspects import part_in_words
from busdoc.times import clock
from busdoc.words.duration import duration
from busdoc.words.probability import odds

__all__ = ["isolation_sections"]

_MOST_TRIALS = 300
_LEAST_SHOWN = 0.001
_MOST_TESTS = 5

_TRIALS = (
    Column(name="From", weight=1.4),
    Column(name="To", weight=1.4),
    Column(name="Controller", weight=1.1),
    Column(name="Plugged in", weight=2.6),
    Column(name="Watched", align=Align.RIGHT, weight=0.9),
    Column(name="Outcome", weight=1.2),
)
_SUSPECTS = (
    Column(name="Part", weight=1.3),
    Column(name="Probability", align=Align.RIGHT, share=True, weight=0.9),
    Column(name="Why", weight=3.6),
)
_CLEARED = (
    Column(name="Part", weight=1.3),
    Column(name="Still", align=Align.RIGHT, share=True, weight=0.9),
    Column(name="How it was cleared", weight=3.6),
)


def isolation_sections(result: Result) -> Iterator[Section]:
    """Give the sections that the isolation engine fills."""
    verdict = result.isolation
    if verdict is None:
        return
    if verdict.trials:
        yield Section(title="Trials", anchor="trials", blocks=(_INTRODUCTION, _trials(result, verdict)))
    if not result.trouble:
        return
    if verdict.suspects and result.conclusion.accuses:
        yield _suspects(verdict)
    cleared = cleared_parts(verdict)
    if cleared:
        yield _cleared(cleared)
    tests = worth_making(verdict, _MOST_TESTS)
    if tests and result.conclusion.state not in (State.HEALTHY, State.PROVED):
        yield _next_tests(tests)


_INTRODUCTION = Text(
    text="A trial is a stretch between two changes in which the controller was healthy at the start and the same parts "
    "hung on it throughout."
)


def _trials(result: Result, verdict: IsolationVerdict) -> Table:
    health, epoch = result.health, result.capture.epoch
    rows = tuple(
        (
            clock(trial.from_ns, health.start_ns, epoch=epoch),
            clock(trial.to_ns, health.start_ns, epoch=epoch),
            trial.controller,
            ", ".join(trial.exposed) or "nothing",
            duration(trial.to_ns - trial.from_ns),
            "quiet"
            if trial.outcome is Outcome.QUIET
            else "trouble" + ("" if trial.shown_after_ns is None else f" after {duration(trial.shown_after_ns)}"),
        )
        for trial in verdict.trials[:_MOST_TRIALS]
    )
    return Table(title="Trials", columns=_TRIALS, rows=rows, more=len(verdict.trials) - len(rows))


def _row(suspect: Suspect) -> tuple[str, ...]:
    return (part_in_words(suspect), odds(suspect.probability), "; ".join(suspect.why) or "–")


def _suspects(verdict: IsolationVerdict) -> Section:
    open_ones = open_suspects(verdict, _LEAST_SHOWN)
    rows = tuple(_row(one) for one in open_ones[:40])
    table = Table(title="Suspects", columns=_SUSPECTS, rows=rows, more=len(open_ones) - len(rows))
    return Section(title="Suspects", anchor="suspects", blocks=(table,))


def _cleared(cleared: Sequence[Suspect]) -> Section:
    rows = tuple(_row(one) for one in cleared)
    return Section(
        title="Cleared", anchor="cleared", blocks=(Table(title="Cleared parts", columns=_CLEARED, rows=rows),)
    )


def _next_tests(tests: Sequence[NextTest]) -> Section:
    blocks: list[Block] = [Items(items=tuple(next_test_in_words(test) for test in tests))]
    cautions = tuple(dict.fromkeys(caution for test in tests for caution in test.cautions))
    if cautions:
        blocks.append(Items(items=cautions, tone=Tone.CAUTION))
    return Section(title="Next test", anchor="next", blocks=tuple(blocks))
