"""The frames of an `.mf4` capture by whole columns, through asammdf; run as a program, it passes them to `reader.py`.

Data, error and remote frames, and perhaps each channel, stand in groups of their own, which are merged by time.
"""

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, UInt16Array, distinct
from busdoc.capture.error_frame import BUS_ERROR
from busdoc.capture.formats.mf4.cut import as_far_as_it_goes
from busdoc.capture.formats.mf4.passing import Sender
from busdoc.capture.frames import LENGTH_OF_CODE, NO_LONG, FrameBlock, FrameFlag, LongPayloads
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.errors import InputError, in_one_line
from busdoc.times import SECOND_NS

__all__ = ["main", "mf4_blocks"]

_RECORDS = 1 << 17
_FEWEST_RECORDS = 1 << 9
_MOST_MEMORY_BYTES = 4 << 30
_BUS_EVENT = 0x02
_ALL_CLASSES = 0x3FF
_KINDS = ("CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame")
_CAN_BUS = 2
_OPTIONS: dict[str, Any] = {"process_bus_logging": False}
"""asammdf's own index of the buses is not needed, and slow."""


def mf4_blocks(reading: Reading) -> Iterator[ReadBlock]:
    """Yield the frames of an `.mf4` capture that is not compressed, merged by time over its groups.

    Raises
    ------
    InputError : when the file cannot be opened as one, or holds no CAN traffic
    """
    import can  # noqa: F401  # python-can first: imported after asammdf it silently does without .mf4
    from asammdf import MDF

    with contextlib.ExitStack() as stack:
        try:
            path, is_cut = stack.enter_context(as_far_as_it_goes(reading.file))
            mdf = MDF(path, **_OPTIONS)
            stack.callback(_close, mdf)
            start_ns = round(mdf.header.start_time.timestamp() * 1e6) * 1000
            groups = list(_bus_groups(mdf))
        except Exception as error:  # asammdf raises whatever a damaged byte leads it to
            raise InputError(
                str(reading.file), "an .mf4 capture", f"damage ({in_one_line(error)})", "Copy it again."
            ) from error
        if not groups:
            raise InputError(
                str(reading.file), "an .mf4 capture with CAN bus events", "none", "Record with bus logging on."
            )
        if is_cut:
            reading.warn("it is cut off in its records; the whole ones before are used.")
        row = 1
        for frames in _merged([_group(mdf, number, name, start_ns, reading) for number, name in groups]):
            yield ReadBlock(frames=frames, first_line=row)
            row += len(frames)


def _close(mdf: Any) -> None:
    with contextlib.suppress(Exception):  # of a damaged file, there may be nothing to close
        mdf.close()


def _bus_groups(mdf: Any) -> Iterator[tuple[int, str]]:
    """Name the groups that hold CAN frames."""
    for number, group in enumerate(mdf.groups):
        source = group.channel_group.acq_source
        if not group.channel_group.flags & _BUS_EVENT or not group.channel_group.cycles_nr:
            continue
        if source is not None and source.bus_type != _CAN_BUS:
            continue
        names = {channel.name for channel in group.channels}
        for kind in _KINDS:
            if kind in names:
                yield number, kind
                break


def _check_layout(group: Any) -> None:
    """See that every channel lies within the record: the library reads the memory beyond it without a word.

    Raises
    ------
    ValueError : one does not
    """
    record_bytes = group.channel_group.samples_byte_nr + group.channel_group.invalidation_bytes_nr
    for channel in group.channels:
        end = channel.byte_offset + (channel.bit_offset + channel.bit_count + 7) // 8
        if end > record_bytes:
            raise ValueError(f"{channel.name} ends at byte {end} of a record of {record_bytes}")


def _group(mdf: Any, number: int, kind: str, start_ns: int, reading: Reading) -> Iterator[FrameBlock]:
    """Yield one group's frames in the order in which they are stored."""
    n_records = int(mdf.groups[number].channel_group.cycles_nr)
    n_at_a_time = _RECORDS if reading.chunk_bytes is None else _RECORDS >> 6
    for first in range(0, n_records, n_at_a_time):
        n_wanted, at = n_at_a_time, first
        while at < first + n_at_a_time:  # where records are damaged, those before are asked for in smaller pieces
            try:
                _check_layout(mdf.groups[number])
                signal = mdf.get(kind, number, record_offset=at, record_count=n_wanted, raw=False)
                block = _columns(signal, kind, start_ns, reading)
            except Exception as error:  # as above: what was read before the damage is used
                if n_wanted > _FEWEST_RECORDS:
                    n_wanted //= 4
                    continue
                reading.warn(f"records from {at + 1} on are damaged ({in_one_line(error)}); what was before is used.")
                return
            if not len(block):
                return
            yield block
            at += n_wanted


def _columns(signal: Any, kind: str, start_ns: int, reading: Reading) -> FrameBlock:
    samples = signal.samples
    members = samples.dtype.names or ()
    n = len(samples)

    def member(name: str) -> Int64Array:
        full = f"{kind}.{name}"
        if full not in members:
            return np.zeros(n, np.int64)
        column = samples[full]
        if column.dtype.kind in "SU":  # a direction in words
            column = np.char.lower(column.astype("U8")) == "tx"
        number: Int64Array = column.astype(np.int64)
        return number

    t_s = np.asarray(signal.timestamps, np.float64)
    # Counted from the file's own start, which a writer may have set decades from the times that it was given.
    usable = np.isfinite(t_s) & (np.abs(t_s) < LATEST_NS / SECOND_NS / 2)
    usable &= np.abs(start_ns / SECOND_NS + t_s) < LATEST_NS / SECOND_NS
    flags = member("Dir") * int(FrameFlag.TRANSMITTED)
    for name, flag in (("EDL", FrameFlag.FD), ("BRS", FrameFlag.BRS), ("ESI", FrameFlag.ESI)):
        flags |= (member(name) != 0) * int(flag)
    id_ = member("ID") & 0x1FFFFFFF
    code = member("DLC")
    length = member("DataLength") if f"{kind}.DataLength" in members else np.array(LENGTH_OF_CODE)[code & 15]
    payload = samples[f"{kind}.DataBytes"] if f"{kind}.DataBytes" in members else np.zeros((n, 8), np.uint8)
    payload = np.atleast_2d(payload) if payload.ndim == 2 else np.zeros((n, 8), np.uint8)
    if kind == "CAN_ErrorFrame":
        known = (id_ > 0) & (id_ <= _ALL_CLASSES)  # python-can keeps class bits in the identifier
        flags = (flags & int(FrameFlag.TRANSMITTED)) | int(FrameFlag.ERROR)
        id_ = np.where(known, id_, BUS_ERROR)
        length = np.full(n, 8, np.int64)
        payload = np.where(known[:, None], _fitted(payload, 8), 0).astype(np.uint8)
    else:
        flags |= (member("IDE") != 0) * int(FrameFlag.EXTENDED)
        if kind == "CAN_RemoteFrame":
            flags |= int(FrameFlag.REMOTE)
            length = np.minimum(code if f"{kind}.DLC" in members else length, 8)
            payload = np.zeros((n, 8), np.uint8)
        usable &= (flags & int(FrameFlag.EXTENDED) != 0) | (id_ <= 0x7FF)
    channel = _channels(member("BusChannel"), reading)
    usable &= (length >= 0) & (length <= 64) & (channel >= 0)
    for row in np.flatnonzero(~usable):
        reading.skip(int(row) + 1, "a time, identifier, channel or length out of range")
    t_ns = start_ns + np.round(np.where(usable, t_s, 0.0) * SECOND_NS).astype(np.int64)
    n_bytes = np.where(usable, length, 0).astype(np.uint8)
    block = FrameBlock(
        t_ns=t_ns,
        channel=channel.astype(np.uint8),
        id=id_.astype(np.uint32),
        flags=flags.astype(np.uint16),
        length=n_bytes,
        **_payload_columns(payload, n_bytes, flags.astype(np.uint16)),
    )
    return block if usable.all() else block.take(usable)


def _fitted(payload: UInt8Array, n_columns: int) -> UInt8Array:
    """Give payload bytes as so many columns, zero where there are fewer."""
    fitted = np.zeros((len(payload), n_columns), np.uint8)
    n_given = min(n_columns, payload.shape[1])
    fitted[:, :n_given] = payload[:, :n_given]
    return fitted


def _payload_columns(payload: UInt8Array, length: UInt8Array, flags: UInt16Array) -> dict[str, Any]:
    """Give the first eight bytes, and the whole payloads of the rows that are longer."""
    whole = _fitted(payload, 64)
    whole[np.arange(64) >= length[:, None]] = 0
    long_row = np.flatnonzero((length > 8) & (flags & int(FrameFlag.REMOTE) == 0))
    if not len(long_row):
        return {"data": np.ascontiguousarray(whole[:, :8]), "long": NO_LONG}
    n_bytes = length[long_row].astype(np.int64)
    inside = np.arange(64) < n_bytes[:, None]
    long = LongPayloads(
        row=long_row,
        start=np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes))),
        bytes=whole[long_row][inside],
    )
    return {"data": np.ascontiguousarray(whole[:, :8]), "long": long}


def _channels(stored: Int64Array, reading: Reading) -> Int64Array:
    """Give the file's own numbers of bus channels as stored; -1 for one too many."""
    number = np.empty(len(stored), np.int64)
    for value in distinct(stored).tolist():
        own = reading.channel(str(value))
        number[stored == value] = -1 if own is None else own
    return number


def _merged(groups: list[Iterator[FrameBlock]]) -> Iterator[FrameBlock]:
    """Merge the groups by time, holding a block of each."""
    held: list[tuple[FrameBlock, Iterator[FrameBlock]]] = []
    for group in groups:
        first = next(group, None)
        if first is not None:
            held.append((first, group))
    while held:
        until_ns = min(int(block.t_ns.max()) for block, _ in held)
        pieces = []
        left: list[tuple[FrameBlock, Iterator[FrameBlock]]] = []
        for block, group in held:
            now = block.t_ns <= until_ns
            pieces.append(block.take(now))
            rest: FrameBlock | None = block.take(~now)
            if rest is not None and not len(rest):
                rest = next(group, None)
            if rest is not None:
                left.append((rest, group))
        merged = FrameBlock.concat(pieces)
        yield merged.take(np.argsort(merged.t_ns, kind="stable"))
        held = left


def _bound_memory() -> None:
    """Have a wrong length end in an exception, and not in a computer without memory; Windows knows no such bound."""
    if sys.platform != "win32":
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_AS)
        bound = _MOST_MEMORY_BYTES if most == resource.RLIM_INFINITY else min(most, _MOST_MEMORY_BYTES)
        with contextlib.suppress(OSError, ValueError):  # macOS refuses one now and then
            resource.setrlimit(resource.RLIMIT_AS, (bound, most))


def main(path: str, few: str) -> None:
    """Read one file and pass its frames to whoever started this process."""
    _bound_memory()
    reading = Reading(Path(path), chunk_bytes=1 if few else None)
    sender = Sender(reading, sys.stdout.buffer)
    sys.stdout = sys.stderr  # whatever the library prints must not get between the frames
    try:
        for block in mf4_blocks(reading):
            sender.block(block)
        sender.done()
    except InputError as error:
        _, expected, found, advice = error.args
        sender.refused(expected, found, advice)
    except MemoryError:
        sender.refused("an .mf4 capture", "damage (it asks for more memory than any capture)", "Copy it again.")


if __name__ == "__main__":
    main(*sys.argv[1:])
