"""The record's section on returns: after each power-up, who came back in step and when, before and after the repair."""

from collections.abc import Iterator, Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.words import act_in_words
from busdoc.analysis.result import Result
from busdoc.report.record.page import Align, Block, Column, Fold, Items, Section, Table, Text
from busdoc.report.words.returns import known_by, limit_in_words, limits_missing, since_first_frame, summary_of
from busdoc.resync_check.records import ControllerReturn, PowerUpReturn, ReturnVerdict
from busdoc.times import SECOND_NS, clock
from busdoc.words.sentence import capital

__all__ = ["resync_section"]

_MOST_COLUMNS = 6
"""Power-ups side by side that a sheet of paper holds."""
_MOST_DETAILED = 20
_REPAIRS = (ActionKind.REPLACE, ActionKind.SWAP)
_DETAIL = (
    Column(name="Controller", weight=1.3),
    Column(name="First frame", align=Align.RIGHT),
    Column(name="Announced", align=Align.RIGHT),
    Column(name="In step", align=Align.RIGHT),
    Column(name="Limit", align=Align.RIGHT),
    Column(name="Verdict"),
    Column(name="Why", weight=3.0),
)


def resync_section(result: Result) -> Section | None:
    """Show every power-up of the recording, and what is not as it was; None when there is neither.

    They stand side by side, so that what was slow or missing before a repair and is healthy after it shows at a glance;
    below, each is told in full.
    """
    blocks: list[Block] = []
    if result.resync:
        blocks += [_side_by_side(result), *_around_repairs(result), *_in_full(result)]
    if result.changes:
        blocks += [
            Text(text="Not as it was when the machine's baseline was learnt:"),
            Items(items=tuple(change.text for change in result.changes)),
        ]
    return Section(title="Back in step after power-up", anchor="returns", blocks=tuple(blocks)) if blocks else None


def _side_by_side(result: Result) -> Table:
    """Give a column to each of the first and last power-ups: when each controller was in step."""
    numbered = list(enumerate(result.resync, start=1))
    if len(numbered) > _MOST_COLUMNS:
        numbered = [*numbered[:2], *numbered[2 - _MOST_COLUMNS :]]
    names = dict.fromkeys(controller.name for _, one in numbered for controller in one.controllers)
    return Table(
        title="Seconds from the first frame of a power-up until each controller was in step",
        columns=(
            Column(name="Controller", weight=1.3),
            *(Column(name=f"{n}. {_when(result, one)}", align=Align.RIGHT) for n, one in numbered),
        ),
        rows=tuple((name, *(_cell(one, name) for _, one in numbered)) for name in names),
        headed=True,
    )


def _cell(one: PowerUpReturn, name: str) -> str:
    controller = next((controller for controller in one.controllers if controller.name == name), None)
    if controller is None:
        return "not concerned"
    took = since_first_frame(one.power_up, controller.steady_ns, "–")
    return f"{took} FAIL" if controller.verdict is ReturnVerdict.FAIL else took


def _around_repairs(result: Result) -> Iterator[Items]:
    """Say of each repair how the machine came back last before it and first after it."""
    said = []
    for action in result.actions:
        if action.kind not in _REPAIRS:
            continue
        before = [n for n, one in enumerate(result.resync) if one.power_up.time_ns < action.time_ns]
        after = [n for n, one in enumerate(result.resync) if one.power_up.time_ns >= action.time_ns]
        texts = [f"{word}, power-up {n + 1}: {summary_of(result.resync[n])}" for word, n in _nearest(before, after)]
        if texts:
            said.append(f"{_repair(action)}. {' '.join(texts)}")
    if said:
        yield Items(items=tuple(said))


def _nearest(before: Sequence[int], after: Sequence[int]) -> Iterator[tuple[str, int]]:
    if before:
        yield "Last before it", before[-1]
    if after:
        yield "First after it", after[0]


def _repair(action: Action) -> str:
    return f"{capital(act_in_words(action))} (action {action.n})"


def _in_full(result: Result) -> Iterator[Block]:
    blocks: list[Block] = []
    for n, one in enumerate(result.resync[:_MOST_DETAILED], start=1):
        known = known_by(one.power_up)
        if one.power_up.wake_ns is not None:
            unsure = f" (± {one.power_up.uncertainty_ns / SECOND_NS:.1f} s)" if one.power_up.uncertainty_ns else ""
            known += f"; first frame {one.power_up.wake_ns / SECOND_NS:.1f} s{unsure} after power"
        blocks.append(
            Table(
                title=f"Power-up {n}, {_when(result, one)}, {known}. {summary_of(one)}",
                columns=_DETAIL,
                rows=tuple(_row(one, controller) for controller in one.controllers),
                headed=True,
            )
        )
        if one.new:
            blocks.append(Text(text=f"New, on no map: {', '.join(one.new)}."))
    unlimited = limits_missing(result.resync)
    if unlimited is not None:
        blocks.append(Text(text=unlimited))
    left_out = len(result.resync) - _MOST_DETAILED
    if left_out > 0:
        blocks.append(Text(text=f"And {left_out} more power-ups, in the JSON."))
    yield Fold(title="Each power-up, controller by controller", blocks=tuple(blocks))


def _row(one: PowerUpReturn, controller: ControllerReturn) -> tuple[str, ...]:
    return (
        controller.name,
        since_first_frame(one.power_up, controller.first_ns, "–"),
        since_first_frame(one.power_up, controller.identified_ns, "–"),
        since_first_frame(one.power_up, controller.steady_ns, "–"),
        limit_in_words(controller.limit_ns, "–"),
        str(controller.verdict).upper() if controller.verdict is ReturnVerdict.FAIL else str(controller.verdict),
        "; ".join((*controller.reasons, *controller.notes)) or "–",
    )


def _when(result: Result, one: PowerUpReturn) -> str:
    return clock(one.power_up.time_ns, result.health.start_ns, epoch=result.capture.epoch)
