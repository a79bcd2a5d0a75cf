"""Columns of signals: against a naive decoder, and against parameters with published examples."""

import math

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.signals import SignalStatus, decode
from tests.decode.naive_signals import read_all
from tests.decode.random_messages import random_frames, random_message


def frames(frame_id: int, *payloads: str) -> FrameBlock:
    """Make frames of up to 8 bytes written in hex."""
    data = np.zeros((len(payloads), 8), np.uint8)
    contents = [bytes.fromhex(payload) for payload in payloads]
    for row, content in enumerate(contents):
        data[row, : len(content)] = np.frombuffer(content, np.uint8)
    return FrameBlock(
        t_ns=np.arange(len(payloads), dtype=np.int64),
        channel=np.zeros(len(payloads), np.uint8),
        id=np.full(len(payloads), frame_id, np.uint32),
        flags=np.full(len(payloads), FrameFlag.EXTENDED, np.uint16),
        length=np.array([len(content) for content in contents], np.uint8),
        data=data,
    )


def value(database: Database, frame_id: int, payload: str, name: str) -> tuple[float, SignalStatus]:
    message = database.find(0, frame_id, True)
    assert message is not None
    column = decode(message, frames(frame_id, payload), np.array([0]))[name]
    return float(column.values[0]), SignalStatus(int(column.status[0]))


# SAE J1939-71: SPN 190, 110, 175, 114, 167, 158, 84; scales and places as tabulated there
@pytest.mark.parametrize(
    ("frame_id", "payload", "name", "expected"),
    [
        (0x0CF00400, "FF7D7D8813FFFFFF", "EngineSpeed", 625.0),
        (0x0CF00400, "F07D7DC012FFFFFF", "EngineSpeed", 600.0),
        (0x0CF00400, "FFFFFF0019FFFFFF", "EngineSpeed", 800.0),
        (0x0CF00400, "FFFFFFFFFAFFFFFF", "EngineSpeed", 8031.875),
        (0x18FEEE00, "5AFFFFFFFFFFFFFF", "CoolantTemperature", 50.0),
        (0x18FEEE00, "82FFFFFFFFFFFFFF", "CoolantTemperature", 90.0),
        (0x18FEEE00, "FFFFB029FFFFFFFF", "OilTemperature", 60.5),
        (0x18FEF700, "7D00FFFF18011801", "NetCurrent", 0.0),
        (0x18FEF700, "7D00FFFF18011801", "BatteryPotential", 14.0),
        (0x18FEF700, "7D00FFFF28022802", "ChargingPotential", 27.6),
        (0x18FEF700, "7D00FFFF1D021D02", "ChargingPotential", 27.05),
        (0x18FEF100, "F7A868FFFFFFFFFF", "WheelSpeed", 104.65625),
        (0x18FEF100, "04FFFFFFFFFFFFFF", "ParkingBrake", 1.0),
        (0x18FEE900, "FFFFFFFFFFFFFFFA", "TotalFuel", 2105540607.5),
    ],
)
def test_parameters_read_as_published(j1939: Database, frame_id: int, payload: str, name: str, expected: float) -> None:
    read, status = value(j1939, frame_id, payload, name)
    assert status is SignalStatus.VALID
    assert read == pytest.approx(expected, rel=1e-12)


# SAE J1939-71 5.1: the top byte alone decides; 2 bits: 10 error, 11 not available
@pytest.mark.parametrize(
    ("frame_id", "payload", "name", "status"),
    [
        (0x0CF00400, "FFFFFFFFFFFFFFFF", "EngineSpeed", SignalStatus.NOT_AVAILABLE),
        (0x0CF00400, "FFFFFF00FFFFFFFF", "EngineSpeed", SignalStatus.NOT_AVAILABLE),
        (0x0CF00400, "FFFFFF12FEFFFFFF", "EngineSpeed", SignalStatus.ERROR),
        (0x0CF00400, "FFFFFF00FDFFFFFF", "EngineSpeed", SignalStatus.RESERVED),
        (0x0CF00400, "FFFFFF00FBFFFFFF", "EngineSpeed", SignalStatus.RESERVED),
        (0x0CF00400, "FFFFFF", "EngineSpeed", SignalStatus.ABSENT),
        (0x0CF00400, "FFFFFFFFFFFFFFFF", "TorqueMode", SignalStatus.NOT_AVAILABLE),
        (0x18FEEE00, "FFFFFFFFFFFFFFFF", "CoolantTemperature", SignalStatus.NOT_AVAILABLE),
        (0x18FEEE00, "FEFFFFFFFFFFFFFF", "CoolantTemperature", SignalStatus.ERROR),
        (0x18FEEE00, "FBFFFFFFFFFFFFFF", "CoolantTemperature", SignalStatus.RESERVED),
        (0x18FEF100, "08FFFFFFFFFFFFFF", "ParkingBrake", SignalStatus.ERROR),
        (0x18FEF100, "0CFFFFFFFFFFFFFF", "ParkingBrake", SignalStatus.NOT_AVAILABLE),
        (0x18FEE900, "FFFFFFFF000000FF", "TotalFuel", SignalStatus.NOT_AVAILABLE),
        (0x18FEE900, "FFFFFFFF000000FE", "TotalFuel", SignalStatus.ERROR),
    ],
)
def test_not_available_and_error_never_read_as_numbers(
    j1939: Database, frame_id: int, payload: str, name: str, status: SignalStatus
) -> None:
    read, found = value(j1939, frame_id, payload, name)
    assert found is status
    assert math.isnan(read)


def test_an_11_bit_message_keeps_plain_decoding() -> None:
    signal = Signal(name="Level", start=0, length=8, little_endian=True)
    message = Message(name="Tank", frame_id=0x181, extended=False, length=8, signals=(signal,))
    column = decode(message, frames(0x181, "FF", "FE"), np.arange(2))["Level"]
    assert column.values.tolist() == [255.0, 254.0]
    assert column.status.tolist() == [SignalStatus.VALID] * 2


@pytest.mark.parametrize("seed", range(60))
def test_columns_equal_one_frame_at_a_time(seed: int) -> None:
    random = np.random.default_rng(seed)
    message = random_message(random, 0)
    block = random_frames(random, [message], 60)
    rows = random.permutation(len(block))[:50]
    columns = decode(message, block, rows)
    assert list(columns) == [signal.name for signal in message.signals]
    for at, row in enumerate(rows.tolist()):
        no_data = int(block.flags[row]) & (FrameFlag.ERROR | FrameFlag.REMOTE)
        expected = {} if no_data else read_all(message, block.payload(row))
        for signal in message.signals:
            column, read = columns[signal.name], expected.get(signal.name)
            if read is None:
                assert column.status[at] == SignalStatus.ABSENT
                assert np.isnan(column.values[at])
                continue
            assert column.status[at] == read.status
            assert int(column.raw[at]) == read.raw
            assert np.array_equal(column.values[at], read.value, equal_nan=True)


def test_64_bits_keep_their_whole_raw_number() -> None:
    signals = (
        Signal(name="Unsigned", start=0, length=64, little_endian=True),
        Signal(name="Signed", start=7, length=64, little_endian=False, signed=True),
    )
    message = Message(name="Wide", frame_id=1, extended=False, length=8, signals=signals)
    columns = decode(message, frames(1, "FFFFFFFFFFFFFFFF", "0100000000000080"), np.arange(2))
    assert columns["Unsigned"].raw.tolist() == [2**64 - 1, 2**63 + 1]
    assert columns["Signed"].raw.tolist() == [-1, 0x0100000000000080]


def test_a_long_payload_whose_rest_was_not_kept_holds_only_its_first_8_bytes() -> None:
    signals = (
        Signal(name="Early", start=0, length=8, little_endian=True),
        Signal(name="Late", start=64, length=8, little_endian=True),
    )
    message = Message(name="Long", frame_id=1, extended=False, length=16, signals=signals)
    short = frames(1, "2A00000000000000")
    block = FrameBlock(
        t_ns=short.t_ns,
        channel=short.channel,
        id=short.id,
        flags=short.flags,
        length=np.array([16], np.uint8),
        data=short.data,
    )
    columns = decode(message, block, np.array([True]))
    assert columns["Early"].values[0] == 42.0
    assert columns["Late"].status[0] == SignalStatus.ABSENT
