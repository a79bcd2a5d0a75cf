"""One row of a journal becomes an action: its kind, its time, and the parts that it names."""

from dataclasses import dataclass

from busdoc.actions.action import POWER_KINDS, REMARKS, Action, ActionKind
from busdoc.actions.journal_names import JournalNames, one_line
from busdoc.actions.journal_rows import JournalRow
from busdoc.actions.journal_time import JournalClock, TimeNote, decimal_ns
from busdoc.errors import InputError, nearest
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["DEFAULT_UNCERTAINTY_NS", "JournalEntry", "read_entry"]

DEFAULT_UNCERTAINTY_NS = SECOND_NS
_LEAST_UNCERTAINTY_NS = MILLISECOND_NS
"""Nobody writes a time down to better than a millisecond, and a spread of zero would make a wrong time certain."""
_MOST_UNCERTAINTY_NS = 10**15


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """What one row says, and what had to be assumed to read it."""

    action: Action
    note: TimeNote
    warnings: tuple[str, ...] = ()


def read_entry(row: JournalRow, clock: JournalClock, names: JournalNames, where: str) -> JournalEntry:
    """Read one row.

    Raises
    ------
    InputError : when it cannot be used
    """
    kind = _kind(row.fields["action"], where)
    placed = clock.place(row.fields["time"], where)
    warnings: list[str] = []
    uncertainty_ns = _uncertainty_ns(row.fields["uncertainty_s"], where, warnings)
    note = one_line(row.fields["note"])
    if row.n_extra:
        warnings.append(f"{where}: more fields than the header has; put a note that holds a comma in quotes")
    part: str | None
    into: str | None
    if kind in REMARKS:
        part, into, note = _marked(row, names, note)
    elif kind in POWER_KINDS:
        part, into = names.feed(row.fields["part"], where), None
    else:
        part, into = _plugged(kind, row, names, where, warnings)
    action = Action(n=0, time_ns=placed.t_ns, uncertainty_ns=uncertainty_ns, kind=kind, part=part, into=into, note=note)
    return JournalEntry(action=action, note=placed.note, warnings=tuple(warnings))


def _kind(text: str, where: str) -> ActionKind:
    word = "-".join(text.casefold().replace("_", " ").replace("-", " ").split())
    try:
        return ActionKind(word)
    except ValueError:
        found = f'"{text[:60]}"' if text else "nothing"
        raise InputError(where, "an action", found, nearest(word[:60], ActionKind)) from None


def _uncertainty_ns(text: str, where: str, warnings: list[str]) -> int:
    if not text:
        return DEFAULT_UNCERTAINTY_NS
    ns = decimal_ns(text)
    if ns is None or ns > _MOST_UNCERTAINTY_NS:
        warnings.append(f'{where}: the uncertainty "{text[:60]}" is not a number of seconds; 1 s is taken')
        return DEFAULT_UNCERTAINTY_NS
    return max(ns, _LEAST_UNCERTAINTY_NS)


def _marked(row: JournalRow, names: JournalNames, note: str) -> tuple[str | None, str | None, str]:
    """A mark may be about anything: what is no part of the machine is kept as a remark."""
    part = names.known(row.fields["part"])
    into = names.known(row.fields["into"])
    words = [row.fields[key] for key, name in (("part", part), ("into", into)) if row.fields[key] and name is None]
    return part, into, one_line(" ".join([*words, note]).strip())


def _plugged(
    kind: ActionKind, row: JournalRow, names: JournalNames, where: str, warnings: list[str]
) -> tuple[str | None, str | None]:
    part = names.part(row.fields["part"], f"the part to {kind}", where)
    place = row.fields["into"]
    if kind is ActionKind.SWAP:
        return part, names.partner(part, place, where)
    if place and names.is_controller(part):
        warnings.append(f'{where}: "{place[:60]}" is not used; what supplies "{part}" and its bus are on the map')
    elif place and kind is ActionKind.PLUG:
        return part, names.place(part, place, where)
    elif place:
        try:  # where it came from or what replaced it changes nothing, so a slip there costs nothing either
            return part, names.place(part, place, where)
        except InputError as error:
            warnings.append(f"{error} The rest of the line is used.")
    return part, None
