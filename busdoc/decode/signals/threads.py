"""Folds frames into the state of their signals with compiled code, a share of the streams to each thread."""

from typing import TYPE_CHECKING

import numpy as np

from busdoc.arrays import Int32Array, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.signals.fold import Changes
from busdoc.decode.signals.payload import long_starts, payload_lengths, payload_words
from busdoc.decode.signals.plan import SignalPlan
from busdoc.decode.signals.signals import FRAMES_AT_ONCE
from busdoc.decode.signals.state import SignalState
from busdoc.kernels.cores import cores, threads

if TYPE_CHECKING:
    from busdoc.decode.signals.kernel import Frames, Order, Plan, State

__all__ = ["fold_in_threads"]

_CHANGES_AT_ONCE = 1 << 16
_MOST_THREADS = 4


def fold_in_threads(
    state: SignalState,
    frames: Int64Array,
    plan: SignalPlan,
    first_slot: Int64Array,
    block: FrameBlock,
    stream_of: Int32Array,
) -> list[Changes]:
    """Fold a block into `state` and `frames` (frames of each stream); give the changes to keep.

    Parameters
    ----------
    plan : the signals of all streams after one another
    first_slot : (streams + 1,) where each stream's signals begin
    stream_of : (frames,) each frame's stream; -1 for none
    """
    from busdoc.decode.signals.kernel import Frames, Order, Plan, State, group_rows  # loads LLVM: 30 ms

    # the rows of each stream, and a share of the streams for each thread: none writes what another reads
    n_streams = len(first_slot) - 1
    rows, edges = np.empty(len(stream_of), np.int64), np.empty(n_streams + 1, np.int64)
    group_rows(stream_of, edges, np.empty_like(edges), rows)
    n_frames = np.diff(edges)
    frames += n_frames
    n_threads = max(1, min(_MOST_THREADS, cores(), n_streams))
    order = Order(rows, edges, _shares(n_frames * np.diff(first_slot), n_threads), first_slot)
    # what the compiled code takes: arrays that are contiguous and writable
    columns = Frames(
        t_ns=np.require(block.t_ns, requirements=("C", "W")),
        words=payload_words(block),
        lengths=np.require(payload_lengths(block), requirements=("C", "W")),
        long_starts=long_starts(block) if plan.n_bytes > 8 and len(block.long.row) else np.empty(0, np.int64),
        long_bytes=np.require(block.long.bytes, requirements=("C", "W")),
    )
    signals = Plan(plan.layout, plan.limits, plan.factors, plan.branches, plan.named_raw, plan.named_status)
    kept = State(state.policy, state.most_kept, state.counts, state.measures)
    if n_threads == 1:
        return _fold_share(0, order, columns, signals, kept)
    with threads(n_threads, "signals") as pool:
        waiting = [pool.submit(_fold_share, owner, order, columns, signals, kept) for owner in range(n_threads)]
        return [changes for future in waiting for changes in future.result()]


def _fold_share(owner: int, order: "Order", frames: "Frames", plan: "Plan", state: "State") -> list[Changes]:
    from busdoc.decode.signals.kernel import Out, fold_rows, room_for

    most_signals = int(np.diff(order.first_slot).max(initial=1))
    at_once = max(1, min(FRAMES_AT_ONCE, _CHANGES_AT_ONCE // most_signals))
    room = max(_CHANGES_AT_ONCE, at_once * most_signals)
    slot, t_ns, bits = (np.empty(room, np.int64) for _ in range(3))
    status, is_status = (np.empty(room, np.uint8) for _ in range(2))
    out = Out(slot, t_ns, bits, status, is_status)
    near = room_for(at_once, most_signals)
    parts: list[Changes] = []
    stream = done = 0
    while stream < len(order.first_slot) - 1:
        stream, done, n_out = fold_rows(stream, done, owner, order, frames, plan, state, out, near)
        if n_out:
            parts.append(
                Changes(
                    slot=slot[:n_out].copy(),
                    t_ns=t_ns[:n_out].copy(),
                    bits=bits[:n_out].copy(),
                    status=status[:n_out].copy(),
                    is_status=is_status[:n_out].astype(np.bool_),
                )
            )
    return parts


def _shares(load: Int64Array, n_threads: int) -> UInt8Array:
    """Share the streams out so that each thread has about as many values to decode."""
    shares = np.zeros(n_threads, np.int64)
    owner_of = np.zeros(len(load), np.uint8)
    for stream in np.argsort(-load, kind="stable").tolist():
        owner = int(np.argmin(shares))
        owner_of[stream] = owner
        shares[owner] += load[stream]
    return owner_of
