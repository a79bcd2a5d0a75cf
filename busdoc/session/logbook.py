"""The logbook: what was done, as it is pressed, undone, re-timed and renamed; each change on disk before it holds."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.errors import InputError
from busdoc.session.rows import Entry
from busdoc.session.store import SessionStore
from busdoc.words.counting import counted

__all__ = ["Logbook"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hand:
    """Whose press is being written down."""

    by: str = ""
    press: str = ""


_OWN_HAND = _Hand()
"""That of who sits at the laptop."""


class Logbook:
    """What was done so far.

    Parameters
    ----------
    store : where every change is kept; None: nowhere, for a look without a folder
    written_ns : the time by the laptop's clock, for the order of rows between two runs
    """

    def __init__(self, store: SessionStore | None, written_ns: Callable[[], int]) -> None:
        self._store = store
        self._written_ns = written_ns
        self._actions: dict[int, Action] = {}
        self._undone: list[Action] = []
        self._done: list[tuple[str, Action]] = []
        """What was done to the log, the latest at the end: (what, the action as it was before)."""
        self._pressed_ns: dict[int, int] = {}
        """By number, when it was pressed, however its time was corrected since."""
        self._next_n = 1
        self.labels: dict[str, int] = {}
        """Numbers taped onto connectors, by part."""
        self.refused: set[str] = set()
        """Keys of proposals that are not to be made again."""
        self.answered: dict[str, int | None] = {}
        """By the mark of a press that came from afar: the action that it was about; None: it was about none."""
        self._hand = _OWN_HAND
        self.changes = 0
        """How often anything changed: a reader asks again when this has grown."""
        self.notes: tuple[str, ...] = ()
        """What of it could not be read, as sentences."""
        if store is not None:
            rows = store.rows()
            self._replay(rows.entries)
            self.notes = (*rows.notes, *self.notes)

    @classmethod
    def replayed(cls, entries: Iterable[Entry]) -> "Logbook":
        """Give what a series of rows comes to."""
        logbook = cls(None, lambda: 0)
        logbook._replay(entries)
        return logbook

    def _replay(self, entries: Iterable[Entry]) -> None:
        n_bad = 0
        for entry in entries:
            try:
                self._apply(entry)
            except (LookupError, TypeError, ValueError, AttributeError):  # damage that is valid JSON all the same
                n_bad += 1
        if n_bad:
            self.notes = (f"Left out of the journal, since it makes no sense: {counted(n_bad, 'entry', 'entries')}.",)

    @contextmanager
    def in_hand_of(self, by: str, press: str) -> Iterator[None]:
        """Have what is written meanwhile say who pressed, and by which press, so that it is never logged twice.

        Parameters
        ----------
        by : the name of who pressed; empty: none was given
        press : the mark of the press, its own; one that was written stands in `answered`, also after a new start
        """
        self._hand = _Hand(by=by, press=press)
        try:
            yield
        finally:
            self._hand = _OWN_HAND

    @property
    def actions(self) -> tuple[Action, ...]:
        """What holds, ascending by time."""
        return tuple(sorted(self._actions.values(), key=lambda action: (action.time_ns, action.n)))

    def numbered(self) -> tuple[Action, ...]:
        """Give the same, numbered from 1 in the order of time, as a journal is."""
        return tuple(replace(action, n=n) for n, action in enumerate(self.actions, start=1))

    def act(
        self,
        kind: ActionKind,
        part: str | None,
        into: str | None,
        *,
        time_ns: int,
        uncertainty_ns: int,
        note: str = "",
        origin: Origin = Origin.JOURNAL,
    ) -> Action:
        """Log an action; it is on disk when this returns.

        Raises
        ------
        InputError : it could not be written down; then it was not logged
        """
        action = Action(
            n=self._next_n,
            time_ns=time_ns,
            uncertainty_ns=uncertainty_ns,
            kind=kind,
            part=part,
            into=into,
            note=note,
            origin=origin,
            by=self._hand.by,
        )
        self._keep("act", _body(action))
        return action

    def undo(self, n: int | None = None) -> Action | None:
        """Take back what was done last, a press or a correction; or strike out an action; None when there is nothing.

        Parameters
        ----------
        n : the action to strike out; None: what was done last, whatever it was

        Returns
        -------
        The action that was taken back, or that is again as it was before its correction

        Raises
        ------
        InputError : no action has this number, or the change could not be written down
        """
        if n is not None:
            action = self._find(n)
            self._keep("undo", {"n": n})
            return action
        if not self._done:
            return None
        what, before = self._done[-1]
        if what == "act":
            action = self._find(before.n)
            self._keep("undo", {"n": action.n, "last": True})
            return action
        self._keep("put back", {"action": _body(before), "last": True})
        return before

    def redo(self) -> Action | None:
        """Do again what was taken back last; None when there is nothing.

        Raises
        ------
        InputError : the change could not be written down
        """
        if not self._undone:
            return None
        action = self._undone[-1]
        self._keep("redo", {})
        return action

    def retime(self, n: int, time_ns: int, uncertainty_ns: int | None = None) -> Action:
        """Correct when an action was done.

        Raises
        ------
        InputError : no action has this number, or the change could not be written down
        """
        old = self._find(n)
        spread = old.uncertainty_ns if uncertainty_ns is None else uncertainty_ns
        self._keep("retime", {"n": n, "time_ns": time_ns, "uncertainty_ns": spread})
        return self._actions[n]

    def pressed_ns(self, n: int) -> int:
        """Give when an action was pressed, however its time was corrected since.

        Raises
        ------
        InputError : no action has this number
        """
        return self._pressed_ns.get(n, self._find(n).time_ns)

    def correct(self, n: int, *, part: str | None = None, note: str | None = None) -> Action:
        """Correct what an action was done to, or write something beside it.

        Parameters
        ----------
        part : the part that it was done to; None: as it is
        note : a photograph's name, say; None: as it is

        Raises
        ------
        InputError : no action has this number, or the change could not be written down
        """
        old = self._find(n)
        new = replace(old, part=old.part if part is None else part, note=old.note if note is None else note)
        self._keep("correct", {"action": _body(new)})
        return self._actions[n]

    def rename(self, old: str, new: str) -> None:
        """Call a branch by another name from the beginning.

        Raises
        ------
        InputError : the change could not be written down
        """
        self._keep("rename", {"old": old, "new": new})

    def give_labels(self, labels: Mapping[str, int]) -> None:
        """Give connectors their numbers.

        Raises
        ------
        InputError : they could not be written down
        """
        self._keep("labels", {"labels": dict(labels)})

    def refuse(self, key: str) -> None:
        """Never make this proposal again.

        Raises
        ------
        InputError : it could not be written down
        """
        self._keep("refuse", {"key": key})

    def _find(self, n: int) -> Action:
        if n not in self._actions:
            raise InputError("the logbook", "the number of an action", str(n), "See the list for the numbers.")
        return self._actions[n]

    def _keep(self, kind: str, body: Mapping[str, Any]) -> None:
        if self._hand.press:
            body = {**body, "press": self._hand.press, "by": self._hand.by}
        if self._store is not None:
            self._store.add(kind, body, self._written_ns())
        self._apply(Entry(kind=kind, body=body))

    def _apply(self, entry: Entry) -> None:
        body = entry.body
        self.changes += 1
        press = body.get("press")
        if isinstance(press, str):
            n = body.get("action", body).get("n")
            self.answered[press] = n if isinstance(n, int) else None
        match entry.kind:
            case "act":
                action = _action(body)
                self._actions[action.n] = action
                self._pressed_ns[action.n] = action.time_ns
                self._done.append(("act", action))
                self._next_n = max(self._next_n, action.n + 1)
                self._undone.clear()
            case "undo" if body["n"] in self._actions:
                action = self._actions.pop(body["n"])
                self._undone.append(action)
                if body.get("last"):
                    self._done.pop()
                else:
                    self._done = [one for one in self._done if one[1].n != action.n]
                    self._done.append(("struck out", action))
            case "redo" if self._undone:
                action = self._undone.pop()
                self._actions[action.n] = action
                if self._done and self._done[-1] == ("struck out", action):
                    self._done.pop()
                self._done.append(("act", action))
            case "retime" if body["n"] in self._actions:
                old = self._actions[body["n"]]
                self._done.append(("correction", old))
                self._actions[old.n] = replace(
                    old, time_ns=_whole(body["time_ns"]), uncertainty_ns=_whole(body["uncertainty_ns"])
                )
            case "correct" if body["action"]["n"] in self._actions:
                action = _action(body["action"])
                self._done.append(("correction", self._actions[action.n]))
                self._actions[action.n] = action
            case "put back":
                action = _action(body["action"])
                if self._undone and self._undone[-1].n == action.n:
                    self._undone.pop()
                self._actions[action.n] = action
                self._done.pop()
            case "rename":
                self._rename(body["old"], body["new"])
            case "labels":
                self.labels = dict(body["labels"])
            case "refuse":
                self.refused.add(body["key"])

    def _rename(self, old: str, new: str) -> None:
        def renamed(action: Action) -> Action:
            into = action.into
            if into is not None and into.partition(":")[0] == old:
                into = new + into[len(old) :]
            return replace(action, part=new if action.part == old else action.part, into=into)

        self._actions = {n: renamed(action) for n, action in self._actions.items()}
        self._undone = [renamed(action) for action in self._undone]
        if old in self.labels:
            self.labels[new] = self.labels.pop(old)


def _body(action: Action) -> dict[str, Any]:
    return {
        "n": action.n,
        "time_ns": action.time_ns,
        "uncertainty_ns": action.uncertainty_ns,
        "kind": action.kind.value,
        "part": action.part,
        "into": action.into,
        "note": action.note,
        "origin": action.origin.value,
        **({"by": action.by} if action.by else {}),
    }


def _whole(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError(f"expected a whole number, found {value!r}")
    return value


def _text(value: Any) -> str | None:
    if value is not None and not isinstance(value, str):
        raise TypeError(f"expected a text, found {value!r}")
    return value


def _action(body: Mapping[str, Any]) -> Action:
    return Action(
        n=_whole(body["n"]),
        time_ns=_whole(body["time_ns"]),
        uncertainty_ns=_whole(body["uncertainty_ns"]),
        kind=ActionKind(body["kind"]),
        part=_text(body["part"]),
        into=_text(body["into"]),
        note=_text(body["note"]) or "",
        origin=Origin(body["origin"]),
        by=_text(body.get("by")) or "",
    )
