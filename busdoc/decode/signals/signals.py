"""Decodes the signals of a message, whole columns at a time.

A value is given only where the frame holds one: what SAE J1939-71 5.1, or the database itself, sets aside for 'not
available' or 'error' never reads as a number. The raw number is given wherever the signal is in the frame.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from busdoc.arrays import BoolArray, Float64Array, Int64Array, UInt8Array, UInt64Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.message import Message
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.payload import Payloads
from busdoc.decode.signals.plan import Field, SignalPlan, plan_of

__all__ = ["FRAMES_AT_ONCE", "RawArray", "SignalColumn", "SignalStatus", "decode", "decode_bits"]

FRAMES_AT_ONCE = 2048
"""Frames of a message that compiled code gathers: 100 kB, which stay in the cache while its signals run through."""

RawArray: TypeAlias = npt.NDArray[np.int64] | npt.NDArray[np.uint64]

_ABSENT = np.uint8(SignalStatus.ABSENT)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalColumn:
    """One signal in n frames."""

    values: Float64Array
    """(n,) in the signal's unit; NaN where `status` is not VALID."""
    raw: RawArray
    """(n,) the number as sent: int64 for a signed signal, else uint64 (of a float its bits); 0 where absent."""
    status: UInt8Array
    """(n,) `SignalStatus` values."""


def decode(message: Message, block: FrameBlock, rows: Int64Array | BoolArray) -> dict[str, SignalColumn]:
    """Decode all signals of a message in some rows of a block.

    Parameters
    ----------
    message : what the rows are, as `Database.find` says
    rows : indices of rows, or a mask

    Returns
    -------
    signal name -> column, in the order of the rows
    """
    index = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows.astype(np.int64, copy=False)
    plan = plan_of(message)
    bits, status = decode_bits(plan, Payloads.of(block, index, plan.n_bytes))
    return {
        signal.name: SignalColumn(
            values=scaled(plan, at, bits[at], status[at]),
            raw=_as_raw(bits[at], signal.signed),
            status=status[at],
        )
        for at, signal in enumerate(plan.signals)
    }


def _as_raw(bits: UInt64Array, signed: bool) -> RawArray:
    return bits.view(np.int64) if signed else bits


def decode_bits(plan: SignalPlan, payloads: Payloads) -> tuple[list[UInt64Array], list[UInt8Array]]:
    """Take every signal's bits out of the payloads, and judge them.

    Returns
    -------
    for each signal (n,) uint64: its bits, of a signed one extended to 64; 0 where it is absent
    for each signal (n,) uint8: `SignalStatus`
    """
    all_bits: list[UInt64Array] = []
    all_status: list[UInt8Array] = []
    for at in range(len(plan.signals)):
        row = plan.layout[at]
        present = payloads.length >= row[Field.NEEDED]
        selector = int(row[Field.MULTIPLEXER])
        if selector >= 0:
            present &= all_status[selector] != _ABSENT
            present &= _in_branch(plan, row, all_bits[selector])
        number = _unsigned(row, plan.limits[at, 0], payloads)
        bits = _extended(number, int(row[Field.LENGTH])) if row[Field.SIGNED] else number
        status = _status(plan, at, number)
        if not present.all():
            bits = np.where(present, bits, np.uint64(0))
            status = np.where(present, status, _ABSENT)
        all_bits.append(bits)
        all_status.append(status)
    return all_bits, all_status


def _in_branch(plan: SignalPlan, row: Int64Array, selected: UInt64Array) -> BoolArray:
    number = selected.view(np.int64)
    inside = np.zeros(len(number), np.bool_)
    for first, last in plan.branches[row[Field.BRANCH_FROM] : row[Field.BRANCH_TO]]:
        inside |= (number >= first) & (number <= last)
    return inside


def _unsigned(row: Int64Array, mask: np.uint64, payloads: Payloads) -> UInt64Array:
    """Take a signal's bits as an unsigned number."""
    first, span, shift = int(row[Field.FIRST_BYTE]), int(row[Field.SPAN]), int(row[Field.SHIFT])
    little = bool(row[Field.LITTLE])
    if first + span <= 8:
        if little:
            return (payloads.words >> np.uint64(8 * first + shift)) & mask
        return (payloads.words.byteswap() >> np.uint64(8 * (8 - first - span) + shift)) & mask
    if payloads.matrix is None or first + span > payloads.matrix.shape[1]:
        return np.zeros(len(payloads.words), np.uint64)
    columns = [payloads.matrix[:, at].astype(np.uint64) for at in range(first, first + span)]
    if not little:
        columns.reverse()  # least significant first, as the other order has them
    number = np.zeros(len(payloads.words), np.uint64)
    for place, column in enumerate(columns):
        up = 8 * place - shift
        number |= column << np.uint64(up) if up >= 0 else column >> np.uint64(-up)
    return number & mask


def _extended(number: UInt64Array, length: int) -> UInt64Array:
    """Carry the sign bit up to bit 63."""
    up = np.uint64(64 - length)
    return ((number << up).view(np.int64) >> np.int64(64 - length)).view(np.uint64)


def _status(plan: SignalPlan, at: int, number: UInt64Array) -> UInt8Array:
    """Judge raw numbers: by the ranges, then by the names of single ones; a float by being a number."""
    row = plan.layout[at]
    status = np.zeros(len(number), np.uint8)
    if row[Field.FLOAT]:
        status[np.isnan(as_float(number, int(row[Field.LENGTH])))] = SignalStatus.NOT_AVAILABLE
        return status
    if not row[Field.RULED]:
        return status
    _, last_valid, first_error, first_unavailable = plan.limits[at]
    beyond = np.flatnonzero(number > last_valid)
    if len(beyond):
        high = number[beyond]
        status[beyond] = np.where(
            high >= first_unavailable,
            np.uint8(SignalStatus.NOT_AVAILABLE),
            np.where(high >= first_error, np.uint8(SignalStatus.ERROR), np.uint8(SignalStatus.RESERVED)),
        )
    for named in range(int(row[Field.NAMED_FROM]), int(row[Field.NAMED_TO])):
        status[number == plan.named_raw[named]] = plan.named_status[named]
    return status


def as_float(number: UInt64Array, length: int) -> Float64Array:
    """Read bits as an IEEE 754 number of 16, 32 or 64 bits."""
    if length == 64:
        return number.view(np.float64)
    with np.errstate(invalid="ignore"):  # any bits may come, signalling ones too
        if length == 32:
            return number.astype(np.uint32).view(np.float32).astype(np.float64)
        return number.astype(np.uint16).view(np.float16).astype(np.float64)


def as_number(plan: SignalPlan, at: int, bits: UInt64Array) -> Float64Array:
    """Give the raw numbers as float64, not scaled yet."""
    row = plan.layout[at]
    if row[Field.FLOAT]:
        return as_float(bits, int(row[Field.LENGTH]))
    if row[Field.SIGNED]:
        return bits.view(np.int64).astype(np.float64)
    return bits.astype(np.float64)


def scaled(plan: SignalPlan, at: int, bits: UInt64Array, status: UInt8Array) -> Float64Array:
    """Give the values in the signal's unit; NaN where there is none."""
    scale, offset = plan.factors[at]
    with np.errstate(over="ignore", invalid="ignore"):
        values: Float64Array = as_number(plan, at, bits) * scale + offset
    values[status != SignalStatus.VALID] = np.nan
    return values
