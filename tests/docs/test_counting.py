"""What the pages about channels, bytes and bits say is what the program does."""

import re
from pathlib import Path
from typing import Any

import cantools
import pytest

from busdoc.capture.source import open_capture
from busdoc.decode.database.parameter_range import SignalStatus, j1939_range
from busdoc.decode.j1939.trouble_code import read_code
from busdoc.machine.frame_name import parse_frame_name
from busdoc.machine.machine_map import machine_from_text
from tests.docs.pages import CHECKOUT, blocks, text_of

BITS = text_of("bytes-and-bits.md")
BUSES = text_of("several-buses.md")
ASC = """date Mon Mar 2 07:00:00.000 2026
base hex  timestamps absolute
   0.010000 1  18FF0131x       Rx   d 1 01
   0.020000 2  18FF0132x       Rx   d 1 01
"""
TRC = """;$FILEVERSION=2.1
;$STARTTIME=46083.2916
;$COLUMNS=N,O,T,B,I,d,R,L,D
      1       10.000 DT 1 18FF0131 Rx -  1    01
      2       20.000 DT 2 18FF0132 Rx -  1    01
"""
LOG = "(0.01) can0 123#01\n(0.02) can1 124#01\n(0.03) rear 125#01\n"


@pytest.mark.parametrize(
    ("name", "text", "channels"),
    [
        ("two.log", LOG, [(0, "can0"), (1, "can1"), (2, "rear")]),
        ("two.asc", ASC, [(0, "0"), (1, "1")]),
        ("two.trc", TRC, [(0, "0"), (1, "1")]),
    ],
)
def test_channels_are_called_as_the_page_says(
    name: str, text: str, channels: list[tuple[int, str]], tmp_path: Path
) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    capture = open_capture([tmp_path / name])
    assert sum(len(block) for block in capture.blocks()) == len(channels)
    assert [(number, capture.channels.name(number)) for number in capture.channels.numbers] == channels
    assert "| channel 1, 2 (`.asc`, `.blf`, `.trc`) | 0, 1 | `0`, `1` |" in BUSES


def test_the_map_of_two_buses_is_read_and_keeps_one_address_on_two_buses_apart() -> None:
    (example,) = [text for language, text, _ in blocks(BUSES) if language == "toml"]
    machine = machine_from_text(example, "two-buses.toml")
    same = [name for name, one in machine.controllers.items() if one.spec.identity.address == 0x31]
    assert [(name, machine.controllers[name].spec.channel) for name in same] == [("hopper", 0), ("trailer", 1)]


def test_identifiers_have_as_many_bits_as_their_digits_say() -> None:
    written = re.findall(r"^\| `(0x\w+)`.*\| (11|29) bits", BITS, re.MULTILINE)
    assert [bits for _, bits in written] == ["11", "29", "29"]
    for name, bits in [*written, ("0x00000181", "29")]:
        parsed = parse_frame_name(name)
        assert parsed is not None
        assert parsed[1] == (bits == "29"), name


def test_the_parts_of_an_identifier_are_those_of_the_reference_library() -> None:
    """SAE J1939-21: EEC1, 0x0CF00400, is parameter group 61444 at priority 3 from the engine at address 0."""
    j1939: Any = cantools.j1939  # it is not typed
    whole = j1939.frame_id_unpack(0x0CF00400)
    group = j1939.pgn_pack(whole.reserved, whole.data_page, whole.pdu_format, whole.pdu_specific)
    assert (whole.priority, group, whole.source_address) == (3, 61444, 0)
    assert "| 18 | `0xF004`, 61444 |" in BITS
    assert j1939.pgn_unpack(0xEA00).pdu_format < 0xF0  # a request goes to one address


@pytest.mark.parametrize(
    ("layout", "payload", "raw"),
    [
        ("24|16@1+", "0000006813000000", 0x1368),
        ("0|4@1+", "F700000000000000", 0x7),
        ("7|16@0+", "1234000000000000", 0x1234),
    ],
)
def test_start_bits_are_counted_as_the_reference_library_counts_them(layout: str, payload: str, raw: int) -> None:
    assert f"| `{layout.replace('|', chr(92) + '|')}` |" in BITS
    text = f'VERSION ""\nBO_ 256 M: 8 N\n SG_ S : {layout} (1,0) [0|0] "" N\n'
    database = cantools.database.load_string(text, "dbc")
    assert isinstance(database, cantools.database.Database)
    assert database.decode_message(256, bytes.fromhex(payload)) == {"S": raw}


def test_the_engine_speed_is_that_of_the_bundled_database() -> None:
    database = cantools.database.load_file(CHECKOUT / "dbc_examples" / "street_sweeper.dbc")
    assert isinstance(database, cantools.database.Database)
    values = database.get_message_by_name("EEC1").decode(bytes.fromhex("FFFFFF6813FFFFFF"), decode_choices=False)
    assert isinstance(values, dict)
    assert values["EngineSpeed"] == 621
    assert "4968, and 621 1/min" in BITS


def test_a_code_lies_in_its_bytes_as_the_page_says() -> None:
    """SPN 3509 FMI 4, once, laid out by the page's table."""
    spn, fmi, count = 3509, 4, 1
    code = bytes((spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, count))
    read = read_code(code)
    assert (read.spn, read.fmi, read.count) == (spn, fmi, count)


def test_raw_numbers_that_are_no_values_are_those_of_the_page() -> None:
    rows = dict(re.findall(r"^\| (\d+) bits \| (.+) \|$", BITS, re.MULTILINE))
    assert rows == {"2": "2 | 3", "8": "`FE` | `FF`", "16": "`FE00` to `FEFF` | `FF00` to `FFFF`"}
    for n_bits, error, unavailable in ((2, 2, 3), (8, 0xFE, 0xFF), (16, 0xFE00, 0xFF00), (16, 0xFEFF, 0xFFFF)):
        ranges = j1939_range(n_bits)
        assert ranges.status(error) is SignalStatus.ERROR
        assert ranges.status(unavailable) is SignalStatus.NOT_AVAILABLE
