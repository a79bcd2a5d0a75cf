"""Folds decoded columns into the state of their signals, with numpy: what the compiled path does frame by frame."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt64Array
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.payload import Payloads
from busdoc.decode.signals.plan import Field, SignalPlan
from busdoc.decode.signals.signals import as_number, decode_bits
from busdoc.decode.signals.state import EXACT_BITS, FEW, Count, Measure, Policy, SignalState

__all__ = ["Changes", "fold_columns"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Changes to keep, those of one slot in the order of time."""

    slot: Int64Array
    t_ns: Int64Array
    bits: Int64Array
    status: UInt8Array
    is_status: BoolArray
    """The status changed, and not the value alone."""


def fold_columns(
    state: SignalState, first_slot: int, plan: SignalPlan, t_ns: Int64Array, payloads: Payloads
) -> list[Changes]:
    """Fold frames of one stream into the slots of its signals; give the changes to keep."""
    all_bits, all_status = decode_bits(plan, payloads)
    kept = []
    for at, (bits, status) in enumerate(zip(all_bits, all_status, strict=True)):
        slot = first_slot + at
        count = state.counts[slot]
        count[Count.BY_STATUS : Count.BY_STATUS + 5] += np.bincount(status, minlength=5)[:5]
        valid = status == SignalStatus.VALID
        if valid.all():
            _measure(state, slot, plan, at, t_ns, bits)
        elif valid.any():
            _measure(state, slot, plan, at, t_ns[valid], bits[valid])
        changes = _changes(state, slot, t_ns, bits, status)
        if changes is not None:
            kept.append(changes)
    return kept


def _measure(state: SignalState, slot: int, plan: SignalPlan, at: int, t_ns: Int64Array, bits: UInt64Array) -> None:
    """Take in valid values, of which there is at least one."""
    count, measure = state.counts[slot], state.measures[slot]
    number = as_number(plan, at, bits)
    scale, offset = plan.factors[at]
    with np.errstate(over="ignore", invalid="ignore"):
        low, high = np.sort(np.array((number.min(), number.max())) * scale + offset)
        first, last = number[[0, -1]] * scale + offset
        if plan.layout[at, Field.FLOAT] or plan.layout[at, Field.LENGTH] > EXACT_BITS:
            measure[Measure.TOTAL] = np.cumsum(np.concatenate((measure[Measure.TOTAL :][:1], number)))[-1]
        else:
            measure[Measure.TOTAL] += number.sum()
    if count[Count.BY_STATUS] == len(number):  # none before these
        count[Count.FIRST_NS] = t_ns[0]
        measure[Measure.FIRST], measure[Measure.LOW], measure[Measure.HIGH] = first, low, high
    else:
        measure[Measure.LOW] = min(measure[Measure.LOW], low)
        measure[Measure.HIGH] = max(measure[Measure.HIGH], high)
    measure[Measure.LAST] = last
    count[Count.LAST_NS] = t_ns[-1]


def _changes(state: SignalState, slot: int, t_ns: Int64Array, bits: UInt64Array, status: UInt8Array) -> Changes | None:
    """Count the changes, and give those for which there is a reason and room to be kept."""
    count = state.counts[slot]
    present = status != SignalStatus.ABSENT
    if not present.all():
        t_ns, bits, status = t_ns[present], bits[present], status[present]
    if not len(bits):
        return None
    raw = bits.view(np.int64)
    is_new = count[Count.LAST_STATUS] < 0
    changed = np.empty(len(raw), np.bool_)
    changed[0] = is_new or raw[0] != count[Count.LAST_BITS]
    np.not_equal(raw[1:], raw[:-1], out=changed[1:])
    at_change = np.flatnonzero(changed)
    if not len(at_change):
        return None
    status_before = np.where(at_change > 0, status[at_change - 1], np.uint8(max(0, count[Count.LAST_STATUS])))
    is_status = status[at_change] != status_before
    is_status[0] |= is_new
    count[Count.CHANGES] += len(at_change) - int(is_new)
    count[Count.STATUS_CHANGES] += int(is_status.sum()) - int(is_new)
    count[Count.LAST_BITS], count[Count.LAST_STATUS] = raw[-1], status[-1]
    kept = _kept(state, slot, raw[at_change], status[at_change], is_status)
    chosen = at_change[kept]
    if not len(chosen):
        return None
    return Changes(
        slot=np.full(len(chosen), slot, np.int64),
        t_ns=t_ns[chosen],
        bits=raw[chosen],
        status=status[chosen],
        is_status=is_status[kept],
    )


def _kept(state: SignalState, slot: int, raw: Int64Array, status: UInt8Array, is_status: BoolArray) -> BoolArray:
    """Choose among a slot's changes by its policy and its room."""
    count, policy = state.counts[slot], state.policy[slot]
    kept = np.zeros(len(raw), np.bool_)
    many_from = 0
    if policy == Policy.ALWAYS:
        many_from = len(raw)
    elif policy == Policy.FEW_VALUED and count[Count.DISTINCT] <= FEW:
        many_from = _note_values(count, raw, status)
        _take(state, slot, np.arange(many_from), is_status, kept)
        if many_from == len(raw):
            return kept
        count[Count.KEPT], count[Count.LOST] = count[Count.KEPT_STATUS], count[Count.LOST_STATUS]
        kept &= is_status
    by_value = np.arange(many_from) if policy == Policy.ALWAYS else np.empty(0, np.int64)
    by_status = many_from + np.flatnonzero(is_status[many_from:])
    _take(state, slot, np.concatenate((by_value, by_status)), is_status, kept)
    return kept


def _take(state: SignalState, slot: int, wanted: Int64Array, is_status: BoolArray, kept: BoolArray) -> None:
    """Keep as many of the wanted changes as there is room for, the first ones."""
    count = state.counts[slot]
    room = max(0, int(state.most_kept[slot] - count[Count.KEPT]))
    within, beyond = wanted[:room], wanted[room:]
    kept[within] = True
    count[Count.KEPT] += len(within)
    count[Count.KEPT_STATUS] += is_status[within].sum()
    count[Count.LOST] += len(beyond)
    count[Count.LOST_STATUS] += is_status[beyond].sum()


def _note_values(count: Int64Array, raw: Int64Array, status: UInt8Array) -> int:
    """Remember the different valid values; give the first change from which on they are too many, else the length."""
    valid = np.flatnonzero(status == SignalStatus.VALID)
    n_known = int(count[Count.DISTINCT])
    values, first = np.unique(raw[valid], return_index=True)
    is_unknown = ~np.isin(values, count[Count.VALUES : Count.VALUES + n_known])
    first = np.sort(first[is_unknown])
    room = FEW - n_known
    count[Count.VALUES + n_known : Count.VALUES + n_known + min(room, len(first))] = raw[valid[first[:room]]]
    count[Count.DISTINCT] += min(room + 1, len(first))
    return int(valid[first[room]]) if len(first) > room else len(raw)
