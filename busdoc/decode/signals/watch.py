"""Watches every signal of the known messages while frames go by, and reduces each to what the analysis needs.

Memory does not grow with the capture, and the result does not depend on where the blocks are cut, nor on which of the
two paths did the work: small captures go through numpy, large ones through compiled code.
"""

from collections.abc import Collection, Iterator, Mapping

import numpy as np

from busdoc.arrays import Int32Array, Int64Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Signal
from busdoc.decode.signals.fold import fold_columns
from busdoc.decode.signals.payload import Payloads
from busdoc.decode.signals.plan import SignalPlan, join_plans, plan_of
from busdoc.decode.signals.signals import SignalStatus, scaled
from busdoc.decode.signals.state import FEW, Count, Measure, Policy, SignalState, policy_of
from busdoc.decode.signals.streams import SignalStream, StreamTable
from busdoc.decode.signals.summary import ChangeStore, SignalSummary, Transitions
from busdoc.decode.signals.threads import fold_in_threads
from busdoc.kernels.choice import repays_by_frames

__all__ = ["SignalWatch"]

_GATHERED = 20_000
"""Frames of small blocks that are put together before they are worked on: each signal costs the same for one as for a
thousand."""
_KERNEL = "busdoc.decode.signals.kernel"
_ROOM = 8192
_ROOM_FOLLOWED = 65_536
_SLOTS_WITH_ROOM = 4096
_ROOM_BEYOND = 64
"""Changes kept of each slot; a capture with more signals than any machine has keeps fewer of each."""


class SignalWatch:
    """Every signal of every stream that the database knows.

    Parameters
    ----------
    database : decides which message a frame is
    follow : signals (``Message.Signal``) of which every change is to be kept, whatever their kind
    compiled : whether to use the compiled path; None: once more frames came than are worth loading it for, if some of
        them came in long blocks: loading it in the middle of a session on a live bus would hold that up
    """

    def __init__(self, database: Database, *, follow: Collection[str] = (), compiled: bool | None = None) -> None:
        self._table = StreamTable(database)
        self._follow = frozenset(follow)
        self._compiled = compiled
        self._state = SignalState.empty()
        self._frames: Int64Array = np.empty(0, np.int64)
        self._plan: SignalPlan = join_plans(())
        self._first_slot: Int64Array = np.zeros(1, np.int64)
        self._store = ChangeStore()
        self._n_followed = 0
        self._pending: list[FrameBlock] = []
        self._n_pending = 0
        self._n_fed = 0
        self._has_long_blocks = False

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        if not len(block):
            return
        self._n_fed += len(block)
        self._has_long_blocks |= len(block) >= _GATHERED
        self._pending.append(block)
        self._n_pending += len(block)
        if self._n_pending >= _GATHERED:
            self._work_off()

    def summaries(self) -> tuple[SignalSummary, ...]:
        """Give what was seen of each signal so far, by the order in which the streams appeared."""
        self._work_off()
        return tuple(
            self._summary(stream, number, at, signal)
            for number, stream in enumerate(self._table.streams)
            for at, signal in enumerate(stream.message.signals)
        )

    def transitions(self, name: str, *, channel: int | None = None, frame_id: int | None = None) -> Transitions:
        """Give the changes of a signal (``Message.Signal``), of one stream where channel or identifier is given."""
        self._work_off()
        slots: dict[int, tuple[SignalStream, int]] = {}
        for stream in self._table.streams:
            if (channel is None or stream.channel == channel) and (frame_id is None or stream.id == frame_id):
                for at, signal in enumerate(stream.message.signals):
                    if f"{stream.message.name}.{signal.name}" == name:
                        slots[stream.first_slot + at] = (stream, at)
        return self._transitions(name, slots)

    def each_transitions(self) -> Iterator[tuple[SignalStream, Signal, Transitions]]:
        """Give the changes of every signal of every stream, those of each stream apart."""
        self._work_off()
        for stream in self._table.streams:
            for at, signal in enumerate(stream.message.signals):
                name = f"{stream.message.name}.{signal.name}"
                yield stream, signal, self._transitions(name, {stream.first_slot + at: (stream, at)})

    def _transitions(self, name: str, slots: Mapping[int, tuple[SignalStream, int]]) -> Transitions:
        changes = self._store.of(tuple(slots), self._state)
        value = np.full(len(changes.slot), np.nan)
        label = np.full(len(changes.slot), "", object)
        channels, ids = np.zeros(len(value), np.uint8), np.zeros(len(value), np.uint32)
        for slot, (stream, at) in slots.items():
            mine = np.flatnonzero(changes.slot == slot)
            bits = changes.bits[mine]
            value[mine] = scaled(plan_of(stream.message), at, bits.view(np.uint64), changes.status[mine])
            label[mine] = [stream.message.signals[at].label(raw) for raw in bits.tolist()]
            channels[mine], ids[mine] = stream.channel, stream.id
        return Transitions(
            name=name,
            t_ns=changes.t_ns,
            raw=changes.bits,
            value=value,
            label=tuple(label.tolist()),
            status=changes.status,
            channel=channels,
            id=ids,
            only_status=any(self._only_status(slot) for slot in slots),
            n_not_kept=sum(int(self._state.counts[slot, Count.LOST]) for slot in slots),
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """What could not be watched, in words."""
        n_frames = self._table.n_unwatched_frames
        if not n_frames:
            return ()
        return (f"{n_frames} frames have identifiers beyond the 65,536 that are told apart; not decoded",)

    def _only_status(self, slot: int) -> bool:
        policy, n_distinct = self._state.policy[slot], self._state.counts[slot, Count.DISTINCT]
        return bool(policy == Policy.STATUS or (policy == Policy.FEW_VALUED and n_distinct > FEW))

    def _summary(self, stream: SignalStream, number: int, at: int, signal: Signal) -> SignalSummary:
        count = self._state.counts[stream.first_slot + at]
        measure = self._state.measures[stream.first_slot + at]
        by_status = [int(n) for n in count[Count.BY_STATUS : Count.BY_STATUS + 5]]
        n_valid = by_status[SignalStatus.VALID]
        seen = n_valid > 0
        with np.errstate(over="ignore", invalid="ignore"):
            mean = float(measure[Measure.TOTAL]) / n_valid * signal.scale + signal.offset if seen else None
        return SignalSummary(
            channel=stream.channel,
            id=stream.id,
            extended=stream.extended,
            message=stream.message.name,
            signal=signal,
            frames=int(self._frames[number]),
            valid=n_valid,
            not_available=by_status[SignalStatus.NOT_AVAILABLE],
            error=by_status[SignalStatus.ERROR],
            reserved=by_status[SignalStatus.RESERVED],
            absent=by_status[SignalStatus.ABSENT],
            minimum=float(measure[Measure.LOW]) if seen else None,
            maximum=float(measure[Measure.HIGH]) if seen else None,
            mean=mean,
            first_value=float(measure[Measure.FIRST]) if seen else None,
            last_value=float(measure[Measure.LAST]) if seen else None,
            first_ns=int(count[Count.FIRST_NS]) if seen else None,
            last_ns=int(count[Count.LAST_NS]) if seen else None,
            n_changes=int(count[Count.CHANGES]),
            n_status_changes=int(count[Count.STATUS_CHANGES]),
        )

    def _work_off(self) -> None:
        """Work on the frames that wait."""
        if not self._pending:
            return
        block = FrameBlock.concat(self._pending)
        self._pending, self._n_pending = [], 0
        compiled = self._compiled
        if compiled is None:
            compiled = self._has_long_blocks and repays_by_frames(self._n_fed, _KERNEL)
        stream_of = self._table.match(block, compiled=compiled)
        self._make_room()
        if compiled:
            for changes in fold_in_threads(self._state, self._frames, self._plan, self._first_slot, block, stream_of):
                self._store.add(changes, self._state)
        else:
            self._fold(block, stream_of)

    def _make_room(self) -> None:
        """Add the slots of new streams."""
        new = self._table.streams[len(self._frames) :]
        if not new:
            return
        policy, room = [], []
        for stream in new:
            for at, signal in enumerate(stream.message.signals):
                followed = f"{stream.message.name}.{signal.name}" in self._follow
                self._n_followed += followed
                plenty = _ROOM if stream.first_slot + at < _SLOTS_WITH_ROOM else _ROOM_BEYOND
                policy.append(policy_of(signal, followed))
                room.append(_ROOM_FOLLOWED if followed and self._n_followed <= FEW * FEW else plenty)
        self._state.extend(np.array(policy, np.uint8), np.array(room, np.int64))
        self._frames = np.concatenate((self._frames, np.zeros(len(new), np.int64)))
        self._plan = join_plans([plan_of(stream.message) for stream in self._table.streams])
        self._first_slot = np.array(
            [stream.first_slot for stream in self._table.streams] + [self._table.n_slots], np.int64
        )

    def _fold(self, block: FrameBlock, stream_of: Int32Array) -> None:
        by_stream = np.argsort(stream_of, kind="stable")
        n_streams = len(self._table.streams)
        edges = np.searchsorted(stream_of[by_stream], np.arange(n_streams + 1))
        for number in np.flatnonzero(np.diff(edges)).tolist():
            rows = by_stream[edges[number] : edges[number + 1]]
            stream = self._table.streams[number]
            plan = plan_of(stream.message)
            self._frames[number] += len(rows)
            payloads = Payloads.of(block, rows, plan.n_bytes)
            for changes in fold_columns(self._state, stream.first_slot, plan, block.t_ns[rows], payloads):
                self._store.add(changes, self._state)
