"""Message by message against cantools's own decoding, over the databases in its source archive.

cantools misplaces the signals of a message that has overlapping ones when it is lenient, so those messages are left to
the naive decoder of `test_signals`.
"""

import math
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import cantools.database
import numpy as np
import pytest
from cantools.database.errors import UnsupportedDatabaseFormatError

from busdoc.capture.frames import NO_LONG, FrameBlock, LongPayloads
from busdoc.decode.database.database import Database, load_databases
from busdoc.decode.database.message import Message, faults
from busdoc.decode.signals.signals import SignalStatus, decode
from busdoc.errors import InputError
from tests.decode.naive_signals import put_bits
from tests.decode.published_databases import cantools_databases

pytestmark = [pytest.mark.network_sources, pytest.mark.filterwarnings("ignore::DeprecationWarning:cantools")]

N_PAYLOADS = 24
MOST_BYTES = 64


@cache
def both() -> tuple[tuple[Path, Database, Any], ...]:
    """Load every file that loads, with busdoc and with cantools."""
    loaded = []
    for path in cantools_databases():
        try:
            ours = load_databases([path])
        except InputError:
            continue
        try:
            theirs = cantools.database.load_file(path, strict=False)
        except UnsupportedDatabaseFormatError:
            continue  # busdoc takes out what cantools refuses the file for
        if isinstance(theirs, cantools.database.Database):
            loaded.append((path, ours, theirs))
    return tuple(loaded)


def messages() -> Iterator[tuple[Message, Any]]:
    for _, ours, theirs in both():
        for mine, other in zip(ours.messages, theirs.messages, strict=True):
            assert (mine.name, mine.frame_id, mine.extended) == (
                other.name,
                other.frame_id,
                other.is_extended_frame,
            )
            yield mine, other


def payloads_for(message: Message, random: np.random.Generator) -> list[bytes]:
    """Make payloads: all zero, all one, and random ones in which every branch of a multiplex comes up."""
    made = [bytes(message.length), b"\xff" * message.length]
    while len(made) < N_PAYLOADS:
        payload = random.bytes(message.length)
        for selector in message.signals:
            branches = [
                values
                for signal in message.signals
                if signal.multiplexer == selector.name
                for values in signal.multiplexer_values
            ]
            if branches and random.random() < 0.8:
                first, last = branches[int(random.integers(0, len(branches)))]
                payload = put_bits(selector, payload, int(random.integers(first, last + 1)))
        made.append(payload)
    return made


def block_of(message: Message, payloads: list[bytes]) -> FrameBlock:
    n = len(payloads)
    whole = np.frombuffer(b"".join(payloads), np.uint8).reshape(n, message.length)
    data = np.zeros((n, 8), np.uint8)
    data[:, : min(8, message.length)] = whole[:, :8]
    long = NO_LONG
    if message.length > 8:
        start = np.arange(n + 1, dtype=np.int64) * message.length
        long = LongPayloads(row=np.arange(n, dtype=np.int64), start=start, bytes=whole.reshape(-1))
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.full(n, message.frame_id, np.uint32),
        flags=np.full(n, int(message.extended), np.uint16),
        length=np.full(n, message.length, np.uint8),
        data=data,
        long=long,
    )


def test_values_and_raw_numbers_equal_those_of_cantools() -> None:
    n_messages = n_values = n_multiplexed = 0
    for mine, other in messages():
        if other.is_container or not 0 < mine.length <= MOST_BYTES or faults(mine) or not mine.signals:
            continue
        all_names = [signal.name for signal in other.signals]
        names = {name for name in all_names if all_names.count(name) == 1}
        if any(signal.length > 8 * mine.length for signal in other.signals):
            continue
        payloads = payloads_for(mine, np.random.default_rng(zlib.crc32(mine.name.encode())))
        columns = decode(mine, block_of(mine, payloads), np.arange(len(payloads)))
        n_messages += 1
        for row, payload in enumerate(payloads):
            try:
                scaled = other.decode(payload, decode_choices=False)
                raw = other.decode(payload, decode_choices=False, scaling=False)
            except cantools.database.DecodeError:
                continue  # a branch of the multiplex that the database does not know
            n_multiplexed += any(signal.multiplexer for signal in mine.signals)
            present = {name for name in names if columns[name].status[row] != SignalStatus.ABSENT}
            assert present == set(raw) & names
            for name in present:
                check_value(mine, name, columns[name], row, raw[name], scaled[name])
                n_values += 1
    assert n_messages > 400
    assert n_values > 30_000
    assert n_multiplexed > 200


def check_value(message: Message, name: str, column: Any, row: int, raw: Any, scaled: Any) -> None:
    signal = message.signal(name)
    assert signal is not None
    if signal.is_float:
        number = float(raw)
        if math.isnan(number):
            assert column.status[row] == SignalStatus.NOT_AVAILABLE
            return
    else:
        assert int(column.raw[row]) == raw
        unsigned = raw & ((1 << signal.length) - 1)
        status = signal.named_status.get(unsigned, signal.ranges.status(unsigned))
        assert column.status[row] == status
        if status is not SignalStatus.VALID:
            assert math.isnan(column.values[row])
            return
    # cantools scales whole numbers exactly; a float64 holds those of up to 53 bits
    assert column.values[row] == pytest.approx(float(scaled), rel=1e-15, abs=0.0, nan_ok=True)


def test_what_the_strict_mode_of_cantools_refuses_is_named_and_nothing_else() -> None:
    n_refused = 0
    for path, ours, _ in both():
        try:
            cantools.database.load_file(path, strict=True)
            refused = False
        except UnsupportedDatabaseFormatError:
            refused = True
        left_out = any("left out" in warning for warning in ours.warnings)
        named = [fault for message in ours.messages for fault in faults(message)]
        assert bool(named) == refused or left_out, (path.name, named)
        n_refused += refused
    assert n_refused >= 5


def test_what_is_said_of_messages_equals_what_cantools_says() -> None:
    for mine, other in messages():
        assert mine.length == other.length
        assert list(mine.senders) == list(other.senders)
        assert (mine.cycle_ns or 0) == (other.cycle_time or 0) * 1_000_000
        theirs = {signal.name: signal for signal in other.signals}
        for signal in mine.signals:
            choices = theirs[signal.name].choices or {}
            assert dict(signal.choices) == {int(raw): str(name) for raw, name in choices.items()}
            unit = theirs[signal.name].unit or ""
            # cantools reads a .dbc as cp1252 even where it is UTF-8 throughout
            assert signal.unit == unit or signal.unit == unit.encode("cp1252").decode("utf-8")
            assert (signal.spn or 0) == (theirs[signal.name].spn or 0)


def test_a_parameter_group_is_found_as_with_a_mask_in_cantools(tmp_path: Path) -> None:
    # SAE J1939-21: priority and source address are no part of the group
    path = tmp_path / "engine.dbc"
    path.write_text(
        f'VERSION ""\n\nBU_: A\n\nBO_ {0x8CF004FE} EEC1: 8 A\n'
        ' SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" A\n',
        encoding="utf-8",
    )
    theirs = cantools.database.load_file(path, frame_id_mask=0x03FFFF00)
    assert isinstance(theirs, cantools.database.Database)
    found = load_databases([path]).find(0, 0x0CF00400, True)
    assert found is not None
    assert found.name == theirs.get_message_by_frame_id(0x0CF00400).name == "EEC1"
