"""How an action is worded, once for everybody: as something to do, as what was done, as a question about the part."""

from collections.abc import Mapping
from dataclasses import dataclass

from busdoc.actions.action import POWER_KINDS, Action, ActionKind

__all__ = ["THE_MACHINE", "act_in_words", "done_in_words", "order_in_words", "question_in_words"]

THE_MACHINE = "the machine"
"""What a power action without a feed is about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Forms:
    """One kind of action in the forms that sentences need."""

    order: str
    """As an instruction."""
    act: str
    """As the object of a sentence."""
    done: str
    """As what somebody did."""
    question: str
    """Before the part is named."""


_FORMS = {
    ActionKind.PLUG: _Forms(
        order="plug {part} in", act="plugging {part} in", done="plugged {part} in", question="Plugged in"
    ),
    ActionKind.UNPLUG: _Forms(
        order="unplug {part}", act="unplugging {part}", done="unplugged {part}", question="Unplugged"
    ),
    ActionKind.POWER_OFF: _Forms(
        order="switch {part} off", act="switching {part} off", done="switched {part} off", question="Power off"
    ),
    ActionKind.POWER_ON: _Forms(
        order="switch {part} on", act="switching {part} on", done="switched {part} on", question="Power on"
    ),
    ActionKind.POWER_CYCLE: _Forms(
        order="switch {part} off, wait 10 s, and on again",
        act="cycling the power of {part}",
        done="power-cycled {part}",
        question="Power off and on again",
    ),
    ActionKind.SWAP: _Forms(
        order="swap {part} with {into}",
        act="swapping {part} with {into}",
        done="swapped {part} with {into}",
        question="Swapped",
    ),
    ActionKind.WIGGLE: _Forms(order="wiggle {part}", act="wiggling {part}", done="wiggled {part}", question="Wiggled"),
    ActionKind.REPLACE: _Forms(
        order="replace {part} with a known good one",
        act="replacing {part}",
        done="replaced {part}",
        question="Replaced",
    ),
    ActionKind.MARK: _Forms(
        order="mark this moment", act="the mark {note}", done="marked this moment", question="Marked"
    ),
    ActionKind.SEEN: _Forms(
        order="look whether it shows", act="seeing {note}", done="saw that it shows", question="It shows"
    ),
    ActionKind.GONE: _Forms(
        order="look whether it is gone",
        act="seeing that {note} is gone",
        done="saw that it is gone",
        question="It is gone",
    ),
}
_PLUG_INTO = "plug {part} into {into}"


def act_in_words(action: Action) -> str:
    """Say what was done, as the object of a sentence.

    >>> act_in_words(Action(n=1, time_ns=0, uncertainty_ns=0, kind=ActionKind.PLUG, part="harness-A"))
    'plugging harness-A in'
    """
    note = f'"{action.note}"' if action.note or action.kind is ActionKind.MARK else "it"
    return _FORMS[action.kind].act.format(part=_part(action), into=action.into or "another", note=note).rstrip()


def done_in_words(action: Action) -> str:
    """Say what was done, as what somebody did.

    >>> done_in_words(Action(n=1, time_ns=0, uncertainty_ns=0, kind=ActionKind.UNPLUG, part="harness-A"))
    'unplugged harness-A'
    """
    text = _FORMS[action.kind].done.format(part=_part(action), into=action.into or "another")
    return f"{text}: {action.note}" if action.note else text


def _part(action: Action) -> str:
    return action.part or (THE_MACHINE if action.kind in POWER_KINDS else "it")


def order_in_words(
    kind: ActionKind, part: str | None, into: str | None = None, labels: Mapping[str, int] | None = None
) -> str:
    """Say what to do, with the number on the connector where it has one.

    >>> order_in_words(ActionKind.UNPLUG, "harness-A"), order_in_words(ActionKind.UNPLUG, "fan", labels={"fan": 4})
    ('unplug harness-A', 'unplug fan (no. 4)')
    >>> order_in_words(ActionKind.PLUG, "lamp", "hopper:X4")
    'plug lamp into hopper:X4'
    """

    def named(name: str | None, otherwise: str) -> str:
        if name is None:
            return otherwise
        return f"{name} (no. {labels[name]})" if labels and name in labels else name

    form = _PLUG_INTO if kind is ActionKind.PLUG and into is not None else _FORMS[kind].order
    return form.format(part=named(part, THE_MACHINE), into=named(into, "a like part"))


def question_in_words(kind: ActionKind) -> str:
    """Ask for the part that something was done to.

    >>> question_in_words(ActionKind.POWER_CYCLE)
    'Power off and on again'
    """
    return _FORMS[kind].question
