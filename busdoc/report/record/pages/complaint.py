"""The record's part on the complaint, where it is no dropout: when it showed, and what that answers to."""

from busdoc.actions.words import act_in_words
from busdoc.analysis.overview import action_behind
from busdoc.analysis.result import Result
from busdoc.report.record.page import Block, Column, Items, Section, Table, Text
from busdoc.report.words.symptoms import apart_in_words, complaint_in_words, observed_in_words
from busdoc.symptoms.symptom import ShowingSpan
from busdoc.times import clock
from busdoc.words.duration import duration
from busdoc.words.probability import odds
from busdoc.words.sentence import capital

__all__ = ["complaint_section"]

_MOST_ROWS = 200
_COLUMNS = (
    Column(name="Came"),
    Column(name="Within the time before"),
    Column(name="Seen last"),
    Column(name="Gone"),
    Column(name="Answers to", weight=2.0),
)


def complaint_section(result: Result) -> Section | None:
    """Show the complaint; None where it is the dropouts, which have a section of their own."""
    complaint, health, epoch = result.complaint, result.health, result.capture.epoch
    if complaint is None and not result.apart:
        return None
    apart = Items(items=tuple(apart_in_words(one) for one in result.apart))
    if complaint is None:
        return Section(title="What comes apart from the dropouts", anchor="complaint", blocks=(apart,))
    said = complaint_in_words(complaint, until_ns=health.until_ns, start_ns=health.start_ns, epoch=epoch)
    seen = observed_in_words(complaint, health.start_ns, health.until_ns)
    blocks: list[Block] = [Text(text=f"{capital(said)}. It {seen}."), Text(text=capital(f"{complaint.text}."))]
    rows = tuple(_row(result, span) for span in complaint.spans[:_MOST_ROWS])
    if rows:
        more = len(complaint.spans) - len(rows)
        blocks.append(Table(title="When it showed", columns=_COLUMNS, rows=rows, more=more))
    if result.apart:
        blocks.append(apart)
    return Section(title="The complaint", anchor="complaint", blocks=tuple(blocks))


def _row(result: Result, span: ShowingSpan) -> tuple[str, ...]:
    start_ns, epoch = result.health.start_ns, result.capture.epoch
    because = dict(result.answers).get(span.since_ns)
    action = None if because is None else action_behind(result, because)
    answer = "–" if because is None or action is None else f"{act_in_words(action)} ({odds(because.probability)})"
    return (
        clock(span.since_ns, start_ns, epoch=epoch) if span.not_yet_ns is not None else "it was there",
        "–" if span.not_yet_ns is None else duration(span.since_ns - span.not_yet_ns),
        clock(span.still_ns, start_ns, epoch=epoch),
        "still there" if span.gone_ns is None else clock(span.gone_ns, start_ns, epoch=epoch),
        answer,
    )
