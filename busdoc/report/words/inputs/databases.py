"""Which message databases were used, what of them was heard, and which were of no use and why: one line."""

from collections.abc import Sequence

from busdoc.analysis.database_use import DatabaseUse
from busdoc.words.counting import counted, listed, plural

__all__ = ["databases_in_words"]

_MOST_NAMED = 6


def databases_in_words(uses: Sequence[DatabaseUse]) -> str | None:
    """Say it in a sentence or two; None: none were given."""
    if not uses:
        return None
    used = [_used(one) for one in uses if not one.why_not]
    idle = [f"{_name(one)} ({one.why_not})" for one in uses if one.why_not]
    parts = [f"Databases used: {listed(used, _MOST_NAMED)}."] if used else ["No database was used."]
    parts += [f"Not used: {listed(idle, _MOST_NAMED)}."] if idle else []
    return " ".join(parts)


def _used(one: DatabaseUse) -> str:
    return (
        f"{_name(one)} ({one.heard} of its {counted(one.messages, 'message')} {plural(one.heard, 'was', 'were')} heard)"
    )


def _name(one: DatabaseUse) -> str:
    name = f"{one.file.name}, bus {one.bus}" if one.bus else one.file.name
    if len(one.buses) > 1:
        name += f" with its buses {listed(one.buses, _MOST_NAMED)}"
    return name if one.channel is None else f"{name} on {one.channel}"
