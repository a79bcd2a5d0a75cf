"""Follows conditions on signals while frames go by, and gives each as a symptom.

Only the messages that a condition asks about are decoded. What is kept is when a condition became true, false, or could
not be told (not available, an error), so memory does not grow with the capture, and where the blocks are cut changes
nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from busdoc.arrays import Int64Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.signals import decode
from busdoc.health.summary import Health
from busdoc.machine.condition import Condition, unknown_signal
from busdoc.symptoms.of_codes import heard_of, restarts_of
from busdoc.symptoms.spans import cut_at_restarts, overlap
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["ConditionWatch"]

_MOST_CHANGES = 20_000
_LATENCY_NS = SECOND_NS
"""From a fault to its value: the message's period, and the filter of an input (common practice)."""
_FALSE, _TRUE, _UNKNOWN = 0, 1, 2


@dataclass(slots=True)
class _Followed:
    """One condition in one stream."""

    changes: list[tuple[int, int, int]] = field(default_factory=list)
    """(first frame with it, the frame before, state), ascending."""
    state: int = -1
    last_ns: int = 0
    n_dropped: int = 0


class ConditionWatch:
    """Takes blocks in the order of time; gives the symptoms at any time.

    Parameters
    ----------
    conditions : what is watched
    database : has their signals
    where : who asks, for what is wrong with them

    Raises
    ------
    InputError : a signal that the database does not have
    """

    def __init__(self, conditions: Sequence[Condition], database: Database, where: str = "--symptom") -> None:
        self._database = database
        self._asked: list[tuple[Condition, Message, Signal]] = []
        for condition in conditions:
            found = database.signal(condition.signal)
            if found is None:
                known = [f"{m.name}.{s.name}" for m in database.messages for s in m.signals]
                raise unknown_signal(condition, known, where)
            self._asked.append((condition, *found))
        self._found: dict[tuple[int, int, bool], Message | None] = {}
        self._followed: dict[tuple[int, int, int, bool], _Followed] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames."""
        if not self._asked or not len(block):
            return
        extended = (block.flags & np.uint16(FrameFlag.EXTENDED)) != 0
        plain = (block.flags & np.uint16(FrameFlag.ERROR | FrameFlag.REMOTE)) == 0
        key = block.id.astype(np.int64) << 9 | block.channel.astype(np.int64) << 1 | extended
        key[~plain] = -1
        for number in distinct(key).tolist():
            if number < 0:
                continue
            stream = (number >> 1 & 0xFF, number >> 9, bool(number & 1))
            message = self._message(stream)
            if message is not None:
                self._follow(stream, message, block, np.flatnonzero(key == number).astype(np.int64))

    def _message(self, stream: tuple[int, int, bool]) -> Message | None:
        """Give the message of a stream, where a condition asks about it."""
        if stream not in self._found:
            message = self._database.find(*stream)
            names = {asked.name for _, asked, _ in self._asked}
            self._found[stream] = message if message is not None and message.name in names else None
        return self._found[stream]

    def _follow(self, stream: tuple[int, int, bool], message: Message, block: FrameBlock, rows: Int64Array) -> None:
        columns = decode(message, block, rows)
        t_ns = block.t_ns[rows]
        for n, (condition, asked, signal) in enumerate(self._asked):
            if asked.name != message.name:
                continue
            column = columns[signal.name]
            labels = [signal.label(raw) for raw in column.raw.tolist()] if _needs_words(condition) else None
            state = np.where(np.isnan(column.values), _UNKNOWN, condition.holds(column.values, labels).astype(np.int64))
            self._take(self._followed.setdefault((n, *stream), _Followed()), t_ns, state)

    @staticmethod
    def _take(followed: _Followed, t_ns: Int64Array, state: Int64Array) -> None:
        before = np.concatenate(([followed.state], state[:-1]))
        for k in np.flatnonzero(state != before).tolist():
            if len(followed.changes) >= _MOST_CHANGES:
                followed.n_dropped += 1
                break
            before_ns = int(t_ns[k - 1]) if k else followed.last_ns or int(t_ns[k])
            followed.changes.append((int(t_ns[k]), before_ns, int(state[k])))
        followed.state, followed.last_ns = int(state[-1]), int(t_ns[-1])

    def symptoms(self, health: Health) -> tuple[Symptom, ...]:
        """Give one symptom for each condition, whether it ever showed or not."""
        return tuple(
            self._symptom(n, condition, message, health) for n, (condition, message, _) in enumerate(self._asked)
        )

    def _symptom(self, n: int, condition: Condition, message: Message, health: Health) -> Symptom:
        streams = {key[1:]: one for key, one in self._followed.items() if key[0] == n}
        controller = condition.controller or self._sender(message, list(streams), health)
        spans: list[ShowingSpan] = []
        could: list[tuple[int, int]] = []
        for one in streams.values():
            spans += _spans(one, condition.hold_ns)
            could += _told(one)
        heard = () if controller is None else heard_of(controller, health)
        seen = tuple(sorted(could)) if not heard else overlap(heard, sorted(could))
        restarts = () if controller is None else restarts_of(controller, health)
        ordered = sorted(spans, key=lambda span: span.since_ns)
        return Symptom(
            kind=SymptomKind.CONDITION,
            name=condition.name,
            text=f"{condition.signal} {condition.operator} {', '.join(str(value) for value in condition.values)}",
            controller=controller,
            spans=cut_at_restarts(ordered, restarts, seen),
            observable=seen,
            latency_ns=_LATENCY_NS + condition.hold_ns,
            latches=condition.latches,
            points_at=condition.points_at,
            signal=condition.signal,
        )

    @staticmethod
    def _sender(message: Message, streams: Sequence[tuple[int, int, bool]], health: Health) -> str | None:
        """Name the controller that sends the message: by the streams that it was heard in, else by the database."""
        for controller in health.controllers:
            own = {(stream.key.channel, stream.key.id, stream.key.extended) for stream in controller.streams}
            if own & set(streams) or (controller.identity.sender or controller.name) in message.senders:
                return controller.name
        return None


def _needs_words(condition: Condition) -> bool:
    return any(isinstance(value, str) for value in condition.values)


def _spans(followed: _Followed, hold_ns: int) -> list[ShowingSpan]:
    found = []
    ends = [*followed.changes[1:], None]
    for k, ((t_ns, before_ns, state), after) in enumerate(zip(followed.changes, ends, strict=True)):
        if state != _TRUE:
            continue
        until_ns = followed.last_ns if after is None else after[0]
        if until_ns - t_ns < hold_ns:
            continue
        found.append(
            ShowingSpan(
                since_ns=t_ns + hold_ns,
                not_yet_ns=before_ns + hold_ns if k else None,
                still_ns=max(followed.last_ns if after is None else after[1], t_ns + hold_ns),
                gone_ns=None if after is None else after[0],
            )
        )
    return found


def _told(followed: _Followed) -> list[tuple[int, int]]:
    """(from, to) in which it could be told whether it holds."""
    found: list[tuple[int, int]] = []
    ends = [*[change[0] for change in followed.changes[1:]], followed.last_ns]
    for (t_ns, _, state), to_ns in zip(followed.changes, ends, strict=True):
        if state != _UNKNOWN and to_ns > t_ns:
            if found and found[-1][1] == t_ns:
                found[-1] = (found[-1][0], to_ns)
            else:
                found.append((t_ns, to_ns))
    return found
