"""Returns after power-up as text for a terminal: the answer first, then each controller in the order of return."""

from collections.abc import Iterator, Sequence

from busdoc.report.terminal.wrapping import filled
from busdoc.report.words.returns import known_by, limit_in_words, since_first_frame, summary_of
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import ControllerReturn, PowerUp, PowerUpReturn
from busdoc.times import clock
from busdoc.words.counting import first_few

__all__ = ["changes_text", "render_power_up", "render_returns"]

_MOST_NEW = 8
_MOST_CHANGES = 40
_COLUMNS = 55
"""Characters that a row of the table takes beside the name."""


def render_power_up(one: PowerUpReturn, n: int, start_ns: int, *, epoch: bool, width: int = 80) -> str:
    """Write one power-up, `width` characters wide, without colour."""
    when = clock(one.power_up.time_ns, start_ns, epoch=epoch)
    head = f"Power-up {n} at {when}, {known_by(one.power_up)}. {summary_of(one)}"
    return filled(head, width, more="  ") + "\n" + render_returns(one, width)


def render_returns(one: PowerUpReturn, width: int = 80) -> str:
    """Write how each controller came back, in a table, without colour."""
    power_up = one.power_up
    lines: list[str] = []
    lines += [filled(f"{text}.", width, "  ", "    ") for text in one.reasons]
    name_width = min(max([len(c.name) for c in one.controllers], default=4), 22)
    is_table = width >= name_width + _COLUMNS
    if is_table:
        titles = f"{'first frame':>11} {'announced':>10} {'in step':>9} {'limit':>8}  verdict"
        lines.append(f"  {'':<{name_width}}  {titles}")
    for controller in one.controllers:
        lines += _controller(controller, power_up, name_width if is_table else None, width)
    if one.new:
        lines.append(filled(f"New, on no map: {first_few(one.new, _MOST_NEW)}.", width, "  ", "    "))
    return "\n".join(lines)


def changes_text(changes: Sequence[Change], width: int = 80) -> str:
    """Write what is not as it was when the map's baseline was learnt."""
    rows = [filled(one.text, width, "  ", "    ") for one in changes]
    if len(rows) > _MOST_CHANGES:
        rows = [*rows[:_MOST_CHANGES], f"  and {len(changes) - _MOST_CHANGES} more."]
    return "\n".join(["Not as it was when the baseline was learnt", *rows])


def _controller(one: ControllerReturn, power_up: PowerUp, name_width: int | None, width: int) -> Iterator[str]:
    """Write one controller: a row of the table, or where there is no room for one a sentence."""
    first, announced, steady = (
        since_first_frame(power_up, t_ns, "-") for t_ns in (one.first_ns, one.identified_ns, one.steady_ns)
    )
    limit = limit_in_words(one.limit_ns, "-")
    if name_width is None:
        told = f"{one.name}: {one.verdict}; first frame {first}, announced {announced}, in step {steady}, limit {limit}"
        yield filled(told, width, "  ", "    ")
    else:
        name = one.name if len(one.name) <= name_width else one.name[: name_width - 1] + "~"
        yield f"  {name:<{name_width}}  {first:>11} {announced:>10} {steady:>9} {limit:>8}  {one.verdict}"
    indent = " " * 6
    for text in (*one.reasons, *one.notes):
        yield filled(f"{text}.", width, indent, indent + "  ")
