"""The keys, each with what it does: read by what handles them, by the line of hints and by the page of help."""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.actions.action import REMARKS, ActionKind

__all__ = ["BY_KEY", "COMMANDS", "LETTERS", "VERBS", "Command", "Key"]


class Command(StrEnum):
    """What a key may ask for."""

    STEP = "step"
    UNPLUG = "unplug"
    PLUG = "plug"
    POWER_OFF = "power off"
    POWER_ON = "power on"
    POWER_CYCLE = "power cycle"
    SWAP = "swap"
    WIGGLE = "wiggle"
    REPLACE = "replace"
    MARK = "mark"
    SEEN = "seen"
    GONE = "gone"
    COMPLAINT = "complaint"
    NOTE = "note"
    RENAME = "rename"
    AGO = "ago"
    UNDO = "undo"
    REDO = "redo"
    TAKE = "take"
    REFUSE = "refuse"
    OTHER = "other test"
    ITS_LEAD = "own lead"
    ITS_KEY = "key off"
    ITS_MACHINE = "the machine"
    DONE = "what was done"
    LABELS = "labels"
    CHECK = "check"
    BIG = "big view"
    ONE_AREA = "one area"
    LIGHT = "light"
    NEARER = "nearer"
    FURTHER = "further"
    EARLIER = "earlier"
    LATER = "later"
    NOW = "now"
    UP = "up"
    DOWN = "down"
    TREE_UP = "tree up"
    TREE_DOWN = "tree down"
    PHONE = "phone"
    HELP = "help"
    QUIT = "quit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A command's keys."""

    keys: tuple[str, ...]
    """As Textual names them."""
    shown: str
    """As the page of help prints them."""
    does: str


COMMANDS: dict[Command, Key] = {
    Command.STEP: Key(keys=("space", "enter", "pagedown"), shown="Space", does="the proposed step is done, now"),
    Command.UNPLUG: Key(keys=("u",), shown="u", does="unplugged …"),
    Command.PLUG: Key(keys=("p",), shown="p", does="plugged in …"),
    Command.POWER_OFF: Key(keys=("o",), shown="o", does="power off …"),
    Command.POWER_ON: Key(keys=("i",), shown="i", does="power on …"),
    Command.POWER_CYCLE: Key(keys=("c",), shown="c", does="power off and on again …"),
    Command.SWAP: Key(keys=("s",), shown="s", does="swapped … with …"),
    Command.WIGGLE: Key(keys=("w",), shown="w", does="wiggled …"),
    Command.REPLACE: Key(keys=("r",), shown="r", does="replaced …"),
    Command.MARK: Key(keys=("m",), shown="m", does="mark this moment"),
    Command.SEEN: Key(keys=("f",), shown="f", does="the fault shows: lamp, display, noise"),
    Command.GONE: Key(keys=("g",), shown="g", does="it is gone"),
    Command.COMPLAINT: Key(keys=("v",), shown="v", does="isolate another symptom …"),
    Command.NOTE: Key(keys=("t",), shown="t", does="write a note"),
    Command.RENAME: Key(keys=("e",), shown="e", does="rename a branch"),
    Command.AGO: Key(keys=("a",), shown="a 3", does="3 s before the last press"),
    Command.UNDO: Key(keys=("z", "pageup", "backspace"), shown="z", does="undo what was done last"),
    Command.REDO: Key(keys=("Z",), shown="Z", does="redo it"),
    Command.TAKE: Key(keys=("y",), shown="y", does="yes, that was done"),
    Command.REFUSE: Key(keys=("n",), shown="n", does="no, nobody did that"),
    Command.OTHER: Key(keys=("x",), shown="x", does="propose another test"),
    Command.ITS_LEAD: Key(keys=("1",), shown="1", does="nobody is heard: own plug or adapter"),
    Command.ITS_KEY: Key(keys=("2",), shown="2", does="nobody is heard: the key is off"),
    Command.ITS_MACHINE: Key(keys=("3",), shown="3", does="nobody is heard: the machine"),
    Command.DONE: Key(keys=("j",), shown="j", does="list of what was done, to correct"),
    Command.LABELS: Key(keys=("l",), shown="l", does="numbers to tape on"),
    Command.CHECK: Key(keys=("k",), shown="k", does="check: is all back?"),
    Command.BIG: Key(keys=("b", "full_stop"), shown="b", does="big view, on and off"),
    Command.ONE_AREA: Key(keys=("tab",), shown="Tab", does="one area alone, the next, all"),
    Command.LIGHT: Key(keys=("d",), shown="d", does="black on white for sunlight"),
    Command.NEARER: Key(keys=("plus", "equals_sign"), shown="+", does="a shorter stretch"),
    Command.FURTHER: Key(keys=("minus",), shown="-", does="a longer one"),
    Command.EARLIER: Key(keys=("left",), shown="←", does="earlier"),
    Command.LATER: Key(keys=("right",), shown="→", does="later"),
    Command.NOW: Key(keys=("end", "home"), shown="End", does="back to now"),
    Command.UP: Key(keys=("up",), shown="↑", does="controllers up"),
    Command.DOWN: Key(keys=("down",), shown="↓", does="controllers down"),
    Command.TREE_UP: Key(keys=("left_square_bracket", "shift+up"), shown="[", does="harness up"),
    Command.TREE_DOWN: Key(keys=("right_square_bracket", "shift+down"), shown="]", does="harness down"),
    Command.PHONE: Key(keys=("P",), shown="P", does="the code that lets a phone in"),
    Command.HELP: Key(keys=("h", "question_mark", "f1"), shown="h", does="this page"),
    Command.QUIT: Key(keys=("q", "ctrl+c", "ctrl+q"), shown="q", does="leave"),
}

BY_KEY = {name: command for command, key in COMMANDS.items() for name in key.keys}

VERBS = {Command[kind.name]: kind for kind in ActionKind if kind not in REMARKS}
"""Commands that need a part."""

LETTERS = {kind: COMMANDS[Command[kind.name]].shown for kind in ActionKind}
"""Under the strip an action is the letter of the key that logs it."""
