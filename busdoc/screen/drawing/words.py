"""What was done, and what hearing is worth, as the screen says it."""

from datetime import UTC, datetime, tzinfo

from busdoc.actions.action import Action
from busdoc.actions.words import done_in_words
from busdoc.capture.listening import BusState, Hearing
from busdoc.isolation.verdict import SUSPECTED_FROM
from busdoc.live.view import NextRow, SessionView
from busdoc.report.words.suspects import is_named, likely, parts_at_fault, suspects_in_words
from busdoc.times import SECOND_NS

__all__ = [
    "bus_name",
    "bus_trouble",
    "logged_in_words",
    "moment",
    "step_cautions",
    "step_text",
    "undone_in_words",
    "verdict_in_short",
]


def verdict_in_short(view: SessionView) -> tuple[str, bool]:
    """Give the verdict so far in a few words, and whether a part is named; empty while nobody is suspected."""
    suspects = likely((one for one in view.suspects if one.part not in view.repaired), 3)
    if not suspects:
        return "", False
    named = [one for one in suspects if is_named(one)]
    if named:
        beside = [one for one in suspects if one not in named and one.probability >= SUSPECTED_FROM]
        return parts_at_fault(named, beside).removesuffix("."), True
    return f"Suspects: {suspects_in_words(suspects)}", False


def logged_in_words(action: Action, at: str) -> str:
    """Say that an action is on the disk."""
    return f"logged {at} {done_in_words(action)}"


def undone_in_words(action: Action, at: str, *, stands: bool, again: str = "") -> str:
    """Say what became of an action by an undo.

    Parameters
    ----------
    stands : it is there still, as it was before its correction
    again : how to have it back
    """
    if stands:
        return f"as it was: {at} {done_in_words(action)}"
    return f"undone: {at} {done_in_words(action)}{f'   ({again})' if again else ''}"


def step_text(row: NextRow) -> str:
    """Give the step to do now; empty when all are done."""
    return row.steps_text[row.step] if row.step < len(row.steps_text) else ""


def step_cautions(row: NextRow) -> tuple[str, ...]:
    """Give the cautions of the test while any of its steps is still to be done."""
    return row.test.cautions if row.step < len(row.steps_text) else ()


def bus_trouble(bus: BusState, for_how_long: str) -> str:
    """Say what is wrong with how a bus is heard; empty when nothing is.

    >>> bus_trouble(BusState(name="can0", channel=0, hearing=Hearing.SILENT, since_ns=0), "12 s")
    'can0: no frame for 12 s'
    """
    said = {
        Hearing.SILENT: f"no frame for {for_how_long}",
        Hearing.ADAPTER_LOST: f"adapter lost for {for_how_long}",
        Hearing.OVERRUN: "the laptop does not keep up",
    }.get(bus.hearing)
    if said is None:
        return ""
    return f"{bus_name(bus)}: {said}" + (f" ({bus.note})" if bus.note else "")


def bus_name(bus: BusState) -> str:
    """Give a bus's name without the kind of its adapter, which nobody needs at the machine.

    >>> bus_name(BusState(name="socketcan:can0", channel=0, hearing=Hearing.HEARD, since_ns=0))
    'can0'
    """
    return bus.name.partition(":")[2] or bus.name


def moment(t_ns: int, start_ns: int, *, epoch: bool, zone: tzinfo | None = None) -> str:
    """Write an instant as the time of day, or as time since the start where the recording has no clock.

    Parameters
    ----------
    zone : None: the laptop's own

    Examples
    --------
    >>> moment(1_700_000_061 * 10**9, 0, epoch=True, zone=UTC), moment(61 * 10**9, 0, epoch=False)
    ('22:14:21', '+01:01')
    """
    if epoch:
        return datetime.fromtimestamp(t_ns // SECOND_NS, UTC).astimezone(zone).strftime("%H:%M:%S")
    whole = max(0, t_ns - start_ns) // SECOND_NS
    hours = f"{whole // 3600}:" if whole >= 3600 else ""
    return f"+{hours}{whole // 60 % 60:02d}:{whole % 60:02d}"
