"""What was done, and what hearing is worth, as the screen says it."""

from datetime import UTC, datetime, tzinfo

from busdoc.actions.action import Action, ActionKind
from busdoc.capture.listening import BusState, Hearing
from busdoc.isolation.verdict import ELSEWHERE
from busdoc.live.view import NextRow, SessionView
from busdoc.times import SECOND_NS
from busdoc.words.probability import odds

__all__ = [
    "THE_MACHINE",
    "bus_name",
    "bus_trouble",
    "countdown",
    "done_in_words",
    "moment",
    "share",
    "since",
    "step_cautions",
    "step_text",
    "verdict_in_short",
]

THE_MACHINE = "the machine"

_NAMED_FROM = 0.8
"""A part is called the culprit from here on, as in the headline."""
_SUSPECT_FROM = 0.1
_NOT_ON_THE_MAP = "a part that the map does not show"

_DONE = {
    ActionKind.PLUG: "plugged {part} in",
    ActionKind.UNPLUG: "unplugged {part}",
    ActionKind.POWER_OFF: "switched {part} off",
    ActionKind.POWER_ON: "switched {part} on",
    ActionKind.POWER_CYCLE: "power-cycled {part}",
    ActionKind.SWAP: "swapped {part} with {into}",
    ActionKind.WIGGLE: "wiggled {part}",
    ActionKind.REPLACE: "replaced {part}",
    ActionKind.MARK: "marked this moment",
}

_POWER = (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE)


def done_in_words(action: Action) -> str:
    """Say what was done.

    >>> done_in_words(Action(n=1, time_ns=0, uncertainty_ns=0, kind=ActionKind.UNPLUG, part="harness-A"))
    'unplugged harness-A'
    """
    part = action.part or (THE_MACHINE if action.kind in _POWER else "it")
    text = _DONE[action.kind].format(part=part, into=action.into or "another")
    return f"{text}: {action.note}" if action.note else text


def verdict_in_short(view: SessionView) -> tuple[str, bool]:
    """Give the verdict so far in a few words, and whether a part is named; empty while nobody is suspected."""
    likely = [(part, share) for part, share, cleared in view.suspects if share >= _SUSPECT_FROM and not cleared][:3]
    names = [f"{_NOT_ON_THE_MAP if part == ELSEWHERE else part} {odds(share)}" for part, share in likely]
    if not likely:
        return "", False
    if likely[0][1] >= _NAMED_FROM and likely[0][0] != ELSEWHERE:
        return f"Part at fault: {likely[0][0]} ({odds(likely[0][1])})", True
    return f"Suspects: {', '.join(names)}", False


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


def since(d_ns: int) -> str:
    """Write how long something has lasted, in at most six letters.

    >>> [since(s * 10**9) for s in (0, 59, 754, 5025, 400_000)]
    ['0 s', '59 s', '12 min', '83 min', '111 h']
    """
    whole = max(0, d_ns) // SECOND_NS
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60} min" if whole < 6000 else f"{whole // 3600} h"


def countdown(d_ns: int) -> str:
    """Write a wait that is running down; the last second counts as one.

    >>> [countdown(d) for d in (42_000_000_001, 10**9, 1, 0, 3_725 * 10**9)]
    ['0:43', '0:01', '0:01', '0:00', '1:02:05']
    """
    whole = -(-max(0, d_ns) // SECOND_NS)
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


def share(probability: float) -> str:
    """Write a probability in a column: never surer than it is.

    >>> [share(p) for p in (0.874, 0.9991, 0.0004)]
    ['87 %', '>99 %', '<1 %']
    """
    if probability > 0.99:
        return ">99 %"
    return "<1 %" if probability < 0.01 else f"{probability * 100:.0f} %"
