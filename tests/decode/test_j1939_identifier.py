"""Identifier fields against SAE J1939-21 5.2 and against can-j1939 as a second opinion."""

import j1939
import numpy as np
import pytest

from busdoc.decode.j1939 import identifier as fields

# identifier, priority, parameter group, destination, source: worked from the layout of SAE J1939-21 5.2
PUBLISHED = [
    (0x0CF00400, 3, 61444, 255, 0),
    (0x18FEF100, 6, 65265, 255, 0),
    (0x18EAFFFE, 6, 59904, 255, 254),
    (0x18EEFF21, 6, 60928, 255, 33),
    (0x18EEFFFE, 6, 60928, 255, 254),
    (0x1CECFF00, 7, 60416, 255, 0),
    (0x1CEB2A17, 7, 60160, 42, 23),
    (0x18EF2100, 6, 61184, 33, 0),
    (0x18FFFF31, 6, 65535, 255, 49),
    (0x18FECA03, 6, 65226, 255, 3),
    (0x1DF01107, 7, 126993, 255, 7),  # NMEA 2000 heartbeat: data page 1
    (0x0CF0E480, 3, 61668, 255, 128),  # ISO 11783-7 heartbeat
    (0x1BF00480, 6, 258052, 255, 128),  # both page bits: ISO 15765-3
]


@pytest.mark.parametrize(("id_", "priority", "pgn", "destination", "source"), PUBLISHED)
def test_the_fields_of_an_identifier_are_those_of_the_standard(
    id_: int, priority: int, pgn: int, destination: int, source: int
) -> None:
    assert fields.parameter_group(np.array([id_], np.uint32)).tolist() == [pgn]
    assert fields.group_and_destination(id_) == (pgn, destination)
    assert fields.source_of(id_) == source
    assert fields.is_addressed(pgn) == (destination != 255 or pgn in (60416, 59904, 60928))
    assert id_ >> 26 == priority


@pytest.mark.parametrize(("id_", "priority", "pgn", "destination", "source"), PUBLISHED)
def test_the_source_is_what_can_j1939_reads(id_: int, priority: int, pgn: int, destination: int, source: int) -> None:
    theirs = j1939.MessageId(can_id=id_)
    assert (theirs.priority, theirs.source_address) == (priority, fields.source_of(id_))


def test_one_identifier_reads_as_the_column_does() -> None:
    ids = np.random.default_rng(1).integers(0, 1 << 29, 2000, dtype=np.uint32)
    assert [fields.group_of(int(id_)) for id_ in ids] == fields.parameter_group(ids).tolist()
