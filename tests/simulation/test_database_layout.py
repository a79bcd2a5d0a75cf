"""Payloads as the simulation fills them, against cantools' own decoding."""

from pathlib import Path

import cantools
import numpy as np
import pytest

from busdoc.arrays import Float64Array
from busdoc.simulation.database import SignalLayout, pack, read_layouts

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"

BIG_ENDIAN = """VERSION ""

BU_: one

BO_ 291 Mixed: 8 one
 SG_ Big : 7|16@0+ (0.5,-10) [0|0] "" one
 SG_ Odd : 19|10@0- (1,0) [0|0] "" one
 SG_ Little : 36|12@1+ (1,0) [0|0] "" one
 SG_ Bit : 63|1@0+ (1,0) [0|1] "" one

"""


def texts() -> list[str]:
    return [path.read_text(encoding="cp1252") for path in sorted(EXAMPLES.glob("*.dbc"))] + [BIG_ENDIAN]


@pytest.mark.parametrize("text", texts())
def test_cantools_reads_back_what_was_packed(text: str) -> None:
    rng = np.random.default_rng(11)
    database = cantools.database.load_string(text, database_format="dbc")
    assert isinstance(database, cantools.database.can.Database)
    for layout in read_layouts(text).values():
        message = database.get_message_by_name(layout.name)
        assert (message.frame_id, message.is_extended_frame, message.length) == (
            layout.id,
            layout.extended,
            layout.length,
        )
        assert message.cycle_time == (None if layout.cycle_s is None else layout.cycle_s * 1000)
        columns: dict[SignalLayout, Float64Array] = {}
        for signal in layout.signals.values():
            low, high = (
                (-(2 ** (signal.length - 1)) + 1, 2 ** (signal.length - 1) - 1)
                if signal.signed
                else (
                    0,
                    max(1, 2**signal.length - 2),
                )
            )
            raw = rng.integers(low, high, 50, endpoint=True)
            columns[signal] = (raw * signal.scale + signal.offset).astype(np.float64)
        payloads = pack(columns, 50)
        for row in range(50):
            decoded = message.decode(payloads[row, : layout.length].tobytes(), decode_choices=False)
            assert isinstance(decoded, dict)
            for signal, values in columns.items():
                assert decoded[signal.name] == pytest.approx(values[row])


def test_nan_is_written_as_not_available() -> None:
    # SAE J1939-71 5.1: all ones.
    layout = read_layouts(texts()[-2])["HopperStatus"]
    angle = layout.signals["GateAngle"]
    payload = pack({angle: np.array([np.nan, 12.34])}, 2)
    assert payload[0, 2:4].tolist() == [0xFF, 0xFF]
    assert payload[1, 2:4].tolist() == [0xD2, 0x04]
