"""Returns after power-up as text for a terminal: the answer first, then each controller in the order of return."""

from collections.abc import Iterator, Sequence

from busdoc.report.terminal.wrapping import filled
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import ControllerReturn, FoundBy, PowerUp, PowerUpReturn, ReturnVerdict
from busdoc.times import SECOND_NS, clock
from busdoc.words.duration import duration

__all__ = ["changes_text", "render_power_up", "render_returns", "resync_headline", "summary_of"]

_MOST_NEW = 8
_MOST_CHANGES = 40


def resync_headline(power_ups: tuple[PowerUpReturn, ...]) -> str:
    """Say in a sentence whether every controller came back after every power-up."""
    failed = [one for one in power_ups if one.verdict is ReturnVerdict.FAIL]
    n = len(power_ups)
    if n == 1:
        return summary_of(power_ups[0])
    if failed:
        which = ", ".join(str(k) for k, one in enumerate(power_ups, start=1) if one.verdict is ReturnVerdict.FAIL)
        were = "was" if len(failed) == 1 else "were"
        return f"FAIL: {len(failed)} of {n} power-ups {were} not healthy (number {which})."
    if all(one.verdict is ReturnVerdict.PASS for one in power_ups):
        return f"PASS: after each of {n} power-ups every controller was back in step in time."
    return f"NO LIMIT KNOWN for some controllers; nothing else was wrong at any of {n} power-ups."


def summary_of(one: PowerUpReturn) -> str:
    """Say in a sentence how one power-up went.

    The time is that from the first frame until the slowest controller was in step.
    """
    failed = [c.name for c in one.controllers if c.verdict is ReturnVerdict.FAIL]
    if not failed and one.reasons:
        return f"FAIL: {one.reasons[0]}."
    if failed:
        names = ", ".join(failed[:6]) + (" and more" if len(failed) > 6 else "")
        return f"FAIL: {names} did not come back as {'it' if len(failed) == 1 else 'they'} should."
    slowest, zero_ns = one.slowest, one.power_up.zero_ns
    took = ""
    if slowest is not None and slowest.steady_ns is not None and zero_ns is not None:
        took = f" after {duration(slowest.steady_ns - zero_ns)}, {slowest.name} last"
    if one.verdict is ReturnVerdict.PASS:
        return f"PASS: all {len(one.controllers)} back in step{took}."
    if all(c.steady_ns is not None for c in one.controllers):
        return f"NO LIMIT KNOWN: all {len(one.controllers)} back in step{took}; nobody said within what time."
    return "NO VERDICT: the recording does not show every controller settle."


def render_power_up(one: PowerUpReturn, n: int, start_ns: int, *, epoch: bool, width: int = 80) -> str:
    """Write one power-up, `width` characters wide, without colour."""
    when = clock(one.power_up.time_ns, start_ns, epoch=epoch)
    head = f"Power-up {n} at {when}, {_known_by(one.power_up)}. {summary_of(one)}"
    return filled(head, width, more="  ") + "\n" + render_returns(one, width)


def render_returns(one: PowerUpReturn, width: int = 80) -> str:
    """Write how each controller came back, in a table, without colour."""
    power_up = one.power_up
    lines: list[str] = []
    lines += [filled(f"{text}.", width, "  ", "    ") for text in one.reasons]
    name_width = min(max([len(c.name) for c in one.controllers], default=4), 22)
    lines.append(f"  {'':<{name_width}}  {'first frame':>11} {'announced':>10} {'in step':>9} {'limit':>8}  verdict")
    for controller in one.controllers:
        lines += _controller(controller, power_up, name_width, width)
    if one.new:
        shown = ", ".join(one.new[:_MOST_NEW]) + (" and more" if len(one.new) > _MOST_NEW else "")
        lines.append(filled(f"New, on no map: {shown}.", width, "  ", "    "))
    return "\n".join(lines)


def changes_text(changes: Sequence[Change], width: int = 80) -> str:
    """Write what is not as it was when the map's baseline was learnt."""
    rows = [filled(one.text, width, "  ", "    ") for one in changes]
    if len(rows) > _MOST_CHANGES:
        rows = [*rows[:_MOST_CHANGES], f"  and {len(changes) - _MOST_CHANGES} more."]
    return "\n".join(["Not as it was when the baseline was learnt", *rows])


def _known_by(power_up: PowerUp) -> str:
    who = "the machine" if power_up.feed is None else power_up.feed
    words = {
        FoundBy.JOURNAL: f"{who}, by the journal",
        FoundBy.SIGNAL: f"{who}, by its signal",
        FoundBy.TRAFFIC: f"{who}, by the traffic: all were silent, then back",
        FoundBy.OPENING: f"{who}, at the start of the recording",
    }[power_up.found_by]
    return words if power_up.whole else f"{words}, which begins in the middle of it"


def _controller(one: ControllerReturn, power_up: PowerUp, name_width: int, width: int) -> Iterator[str]:
    zero_ns = power_up.zero_ns

    def after(t_ns: int | None) -> str:
        return "-" if t_ns is None or zero_ns is None else f"{(t_ns - zero_ns) / SECOND_NS:.2f} s"

    limit = "-" if one.limit_ns is None else f"{one.limit_ns / SECOND_NS:.1f} s"
    name = one.name if len(one.name) <= name_width else one.name[: name_width - 1] + "~"
    yield (
        f"  {name:<{name_width}}  {after(one.first_ns):>11} {after(one.identified_ns):>10} "
        f"{after(one.steady_ns):>9} {limit:>8}  {one.verdict}"
    )
    indent = " " * 6
    for text in (*one.reasons, *one.notes):
        yield filled(f"{text}.", width, indent, indent + "  ")
