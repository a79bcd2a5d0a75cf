"""Which parts an action may be about, likeliest first."""

from busdoc.actions.action import POWER_KINDS, ActionKind
from busdoc.actions.words import THE_MACHINE
from busdoc.live.view import HarnessRow, SessionView
from busdoc.screen.asking import Choice
from busdoc.words.probability import odds_in_column

__all__ = ["choices_for", "part_in_question", "partners_of"]

_CONTROLLER = "controller"
_FEED = "feed"
_LESS_OFTEN = {_CONTROLLER: 1, "segment": 2, "terminator": 2, _FEED: 3}
"""Kinds that hands are on less often than on branches."""


def choices_for(kind: ActionKind, view: SessionView, *, done: bool = False) -> list[Choice]:
    """List what an action may be done to, or, once it is done, may have been done to."""
    if kind in POWER_KINDS:
        whole = Choice(value=None, text=THE_MACHINE, aside="everything")
        return [whole, *(_choice(row) for row in view.harness if row.kind == _FEED)]
    rows = [row for row in view.harness if done or _possible(kind, row)]
    if kind is ActionKind.PLUG:
        order = {action.part: -action.n for action in view.actions if action.kind is ActionKind.UNPLUG}
        rows.sort(key=lambda row: order.get(row.name, 0))  # what came out last goes back first
    else:
        rows.sort(key=lambda row: (-(row.probability or 0.0), _LESS_OFTEN.get(row.kind, 0)))
    return [_choice(row) for row in rows]


def partners_of(part: str | None, view: SessionView) -> list[Choice]:
    """List what a part may have changed places with: like parts of the map first, then others of its kind."""
    own = next((row for row in view.harness if row.name == part), None)
    if own is None:
        return [_choice(row) for row in view.harness if row.name != part]
    like = [row for row in view.harness if row.name in own.swaps_with]
    kin = [row for row in view.harness if row.kind == own.kind and row not in like and row.name != own.name]
    return [_choice(row) for row in (*like, *kin)]


def part_in_question(view: SessionView) -> str | None:
    """Name the part that the step to do now is about, else the first suspect; None: none is."""
    following = view.next
    if following is not None and following.step < len(following.test.steps):
        steps = following.test.steps[following.step :]
        part = next((step.part for step in steps if step.part is not None), None)
        if part is not None:
            return part
    likely = max(view.harness, key=lambda row: row.probability or 0.0, default=None)
    return likely.name if likely is not None and likely.probability else None


def _possible(kind: ActionKind, row: HarnessRow) -> bool:
    if kind is ActionKind.PLUG:
        return not row.plugged
    if kind is ActionKind.UNPLUG:
        return row.plugged
    return True


def _choice(row: HarnessRow) -> Choice:
    said = [row.kind] + (["OUT"] if not row.plugged else [])
    if row.cleared:
        said.append("clear")
    elif row.probability is not None:
        said.append(odds_in_column(row.probability))
    return Choice(value=row.name, text=row.name, label=row.label, aside=", ".join(said))
