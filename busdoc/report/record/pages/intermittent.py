"""The record's part on many dropouts: who falls together, how often and when, what goes before them, what to do."""

from collections.abc import Iterator
from dataclasses import replace

from busdoc.analysis.overview import worth_listing
from busdoc.analysis.result import Result
from busdoc.intermittent.intermittent import Intermittent
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.covariate_features import FeatureKind
from busdoc.intermittent.rate_shape import Rate
from busdoc.report.record.page import Align, Block, Column, Fold, Items, Section, Table, Text, Tone
from busdoc.report.record.pictures.intermittent import lags_picture, rate_picture, value_picture
from busdoc.report.words.intermittent import before_in_words, common_to, rate_in_words
from busdoc.times import SECOND_NS, clock
from busdoc.words.counting import plural
from busdoc.words.duration import duration
from busdoc.words.sentence import capital

__all__ = ["intermittent_section"]

_MOST_GROUPS = 40
_IN_VAIN = 12
_MOST_VALUES = 2
_MOST_LAGS = 3
_GROUPS = (
    Column(name="Controllers", weight=2.0),
    Column(name="Dropouts", align=Align.RIGHT, weight=0.8),
    Column(name="Restarted", align=Align.RIGHT, weight=0.8),
    Column(name="Kept running", align=Align.RIGHT, weight=0.9),
    Column(name="What they may share", weight=3.0),
)
_EVENTS = (
    Column(name="Event", weight=3.0),
    Column(name="Dropouts of", weight=1.2),
    Column(name="Within", align=Align.RIGHT, weight=0.7),
    Column(name="Dropouts after it", align=Align.RIGHT, weight=0.9),
    Column(name="By chance", align=Align.RIGHT, weight=0.7),
    Column(name="Events with one after", align=Align.RIGHT, weight=1.0),
    Column(name="p, corrected", align=Align.RIGHT, weight=0.8),
)
_VALUES = (
    Column(name="Value", weight=2.2),
    Column(name="Dropouts of", weight=1.2),
    Column(name="What of it", weight=1.3),
    Column(name="Threshold (95 %)", weight=2.0),
    Column(name="Dropouts beyond", align=Align.RIGHT, weight=0.9),
    Column(name="Rest of the time", align=Align.RIGHT, weight=0.9),
    Column(name="p, corrected", align=Align.RIGHT, weight=0.8),
)
_COLUMNS = (
    Column(name="From", weight=1.4),
    Column(name="Watched", align=Align.RIGHT),
    Column(name="Dropouts", align=Align.RIGHT),
)


def intermittent_section(result: Result) -> Section | None:
    """Give the section; None where there are fewer than three dropouts to explain."""
    found = result.intermittent
    if found is None:
        return None
    blocks: list[Block | Section] = []
    if found.groups:
        blocks.append(Section(title="Who falls with whom", anchor="groups", level=3, blocks=tuple(_groups(found))))
    blocks.append(Section(title="When they come", anchor="rate", level=3, blocks=tuple(_rates(result, found))))
    if found.tried.tests and found.precursors_told:
        before = tuple(_before(found))
        blocks.append(Section(title="What goes before them", anchor="before", level=3, blocks=before))
    if found.advice:
        advice = Items(items=tuple(one.words for one in found.advice))
        blocks.append(Section(title="What to do about them", anchor="advice", level=3, blocks=(advice,)))
    return Section(
        title=f"What the {common_to(result, found)} have in common", anchor="intermittent", blocks=tuple(blocks)
    )


def _groups(found: Intermittent) -> Iterator[Block]:
    yield Items(items=tuple(group.words for group in found.groups[:3]))
    rows = tuple(
        (
            ", ".join(group.controllers) + (f" (at times {', '.join(group.others)})" if group.others else ""),
            str(group.falls),
            str(group.restarted),
            str(group.kept_running),
            "; ".join(cause.words for cause in group.told_causes[:3]),
        )
        for group in found.groups[:_MOST_GROUPS]
    )
    yield Table(title="Groups", columns=_GROUPS, rows=rows, more=len(found.groups) - len(rows))


def _rates(result: Result, found: Intermittent) -> Iterator[Block]:
    first, *others = found.rates
    yield Text(text=rate_in_words(first))
    if first.columns:
        yield rate_picture(result, first)
        yield Fold(title=f"{capital(plural(2, first.called))} over time in numbers", blocks=(_columns(result, first),))
    yield Items(items=tuple(f"{test.words} (p = {test.p_holm:.2g})" for test in first.tests))
    for rate in others:
        yield Text(text=f"{', '.join(rate.controllers)}: {rate_in_words(rate)}")


def _before(found: Intermittent) -> Iterator[Block]:
    yield Items(items=tuple(before_in_words(found)))
    for one in [one for one in found.findings if one.beside is None][:_MOST_LAGS]:
        if isinstance(one, Antecedent) and one.is_sure:
            yield lags_picture(one)
    for value in [one for one in found.covariates if one.found and one.before and one.rest_quantiles][:_MOST_VALUES]:
        yield value_picture(value)
    if found.antecedents:
        rows = tuple(_event_row(one) for one in worth_listing(found.antecedents, _IN_VAIN))
        table = Table(
            title="Events",
            columns=_named(_EVENTS, found),
            rows=rows,
            more=len(found.antecedents) - len(rows),
        )
        yield Fold(
            title=f"Events that were held against the {_many(found)}, the strongest first",
            blocks=(table,),
        )
    if found.covariates:
        yield Fold(
            title=f"Values that were held against the {_many(found)}, the strongest first",
            blocks=(_values(found),),
        )
    if found.tried.left_out:
        yield Items(items=found.tried.left_out, tone=Tone.QUIET)


def _named(columns: tuple[Column, ...], found: Intermittent) -> tuple[Column, ...]:
    """Head columns by what it is that came: dropouts, showings."""
    return tuple(replace(one, name=one.name.replace("Dropouts", capital(_many(found)))) for one in columns)


def _many(found: Intermittent) -> str:
    return plural(2, found.rates[0].called)


def _values(found: Intermittent) -> Table:
    rows = tuple(_value_row(one) for one in worth_listing(found.covariates, _IN_VAIN))
    return Table(
        title="Values",
        columns=_named(_VALUES, found),
        rows=rows,
        more=len(found.covariates) - len(rows),
    )


def _value_row(one: Covariate) -> tuple[str, ...]:
    side = "below" if one.direction < 0 else "above"
    unit = f" {one.unit}{'/s' if one.kind is FeatureKind.SLOPE else ''}" if one.unit else ""
    return (
        one.name,
        ", ".join(one.controllers) or "any",
        f"{one.kind} over {duration(round(one.window_s * SECOND_NS))}" if one.window_s else "last value",
        f"{side} {one.threshold:.4g}{unit} ({one.threshold_low:.4g} to {one.threshold_high:.4g})",
        f"{one.n_beyond} of {one.n_dropouts}",
        f"{one.share_beyond:.1%}".replace("%", " %"),
        f"{one.p_holm:.2g}",
    )


def _event_row(one: Antecedent) -> tuple[str, ...]:
    also = f" (with it: {', '.join(one.aliases[:3])}{', …' if len(one.aliases) > 3 else ''})" if one.aliases else ""
    return (
        one.name + also,
        ", ".join(one.controllers) or "any",
        f"{one.window_s:g} s",
        f"{one.n_preceded} of {one.n_dropouts}",
        f"{one.expected_by_chance:.1f}",
        f"{one.n_followed} of {one.n_events}",
        f"{one.p_holm:.2g}",
    )


def _columns(result: Result, rate: Rate) -> Table:
    health, epoch = result.health, result.capture.epoch
    rows = tuple(
        (
            clock(column.from_ns, health.start_ns, epoch=epoch),
            duration(round(column.watched_s * SECOND_NS)),
            str(column.n),
        )
        for column in rate.columns
    )
    many = capital(plural(2, rate.called))
    columns = tuple(replace(one, name=one.name.replace("Dropouts", many)) for one in _COLUMNS)
    return Table(title=f"{many} over time", columns=columns, rows=rows)
