"""The compiled parsers of `.asc`, `.blf`, `.csv` and `.trc`, held to the grammar of each, line by damaged line.

`test_log_parsers` does so for `.log`, and `test_against_python_can` holds both ways to that library.
"""

import random
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.formats.write import write_capture
from busdoc.capture.reading import Reading
from tests.capture.random_frames import random_block, rows_of

ASC_LINES = (
    b"base dec timestamps absolute",
    b"base hex timestamps relative",
    b"base hex timestamps absolute",
    b"base hex",
    b"date Sat Sep 30 15:06:13.191 2017",
    b"Begin Triggerblock Sat Sep 30 15:06:14 2017",
    b"// a comment",
    b" 1.5 CANFD 1 Rx 123 1 0 1 0 0 11",  # a remote frame, which looks like an empty one one field on
    b" 1.5 CANFD 1 Rx 123 1 1 8 8 8 11 22 33 44 55 66 77 88",
    b" 1.5 CANFD 1 Tx 18FF0010x Name_1 0 0 9 12 1 2 3 4 5 6 7 8 9 a b c 99 0 0",
    b" 1.5 CANFD 1 Tx 18FF0010x A name 0 0 8 8 1 2 3 4 5 6 7 8",
    b" 1.5 CANFD 1 Rx 123 0 1 a 8 11 22 33 44 55 66 77 88",
    b" 1.5 CANFD 1 Rx 123 0 0 0 0",
    b" 1.5 CANFD 1 Rx 123 0 0 08 8 1 2 3 4 5 6 7 8",
    b" 1.5 CANFD 1 Rx ErrorFrame",
    b" 1.5 1 123 Rx d 2 11 22 Length = 1 BitCount = 2",
    b" 1.5 1 123 Rx d 2 11",
    b" 1.5 1 123 Rx d 9 1 2 3 4 5 6 7 8 9",
    b" 1.5 1 123 Rx d f 1 2 3 4 5 6 7 8",
    b" 1.5 1 123 Rx d 10 1 2 3 4 5 6 7 8",
    b" 1.5 1 123 Rx D 2 111 22",
    b" 1.5 1 123 Rx r 3",
    b" 1.5 1 800 Rx d 0",
    b" 1.5 1 800x rx d 0",
    b" 1.5 1 20000000x Rx d 0",
    b" 1.5 1 0123x Tx d 1 255",
    b" 1.5 0 123 Rx d 1 7",
    b" 1.5 01 123 Rx d 1 7",
    b" 1.5 1000 123 Rx d 1 7",
    b" 1.5 1 123 Tq d 1 7",
    b" -1.5 1 123 Rx d 1 7",
    b" 1. 1 123 Rx d 1 7",
    b" 15 1 123 Rx d 1 7",
    b" 9999999999.0 1 123 Rx d 1 7",
    b" 1.1234567891 1 123 Rx d 1 7",
    b"\t1.5\t1\t123\tRx\td\t1\t7\t\r",
    b" 1.5 1 123 Rx d 1 7\xc2\x85",
    b" 1.5 1 Statistic: D 0 R 0",
    b" 1.5 1 ErrorFrame ECC: 10100010",
    b" 1.5 CAN 1 Status:chip status error passive - TxErr: 128 RxErr: 7",
    b"junk",
    b"\0\0",
)
TRC_LINES = (
    b";$FILEVERSION=1.0",
    b";$FILEVERSION=1.1",
    b";$FILEVERSION=1.3",
    b";$COLUMNS=N,O,T,B,I,d,R,L,D",
    b";$COLUMNS=N,O,T,I,d,l,D",
    b";$COLUMNS=O,N,T,I,d,l,D",
    b";$COLUMNS=N,T,I,d,l,D,O",
    b";$COLUMNS=N,O,T,I,d,l,L,X7,D",
    b";$STARTTIME=45244.5",
    b"1 1.5 DT 1 0123 Rx - 2 11 22",
    b"1 1.5 DT 1 0123 Tx - 2 11 22 33",
    b"1 1.5 DT 1 0123 Rx - 2 11",
    b"1 1.5 DT 1 0123 Rx - 2 11  22",
    b"1 1.5 DT 1 0123 Rx - 2 11 223",
    b"1 1.5 DT 1 0123 Rx - 0 RTR",
    b"1 1.5 DT 1 0123 Rx - 0",
    b"1 1.5 RR 1 0123 Rx - 4",
    b"1 1.5 FB 1 18FF0010 Rx - 9 01 02 03 04 05 06 07 08 09 0A 0B 0C",
    b"1 1.5 FE 2 0123 Rx - 3 01 02 03",
    b"1 1.5 BI 2 0123 Rx - 16 01 02 03",
    b"1 1.5 XX 2 0123 Rx - 1 01",
    b"1 1.5 DT 0 0123 Rx - 1 01",
    b"1 1.5 DT 1 0800 Rx - 1 01",
    b"1 1.5 DT 1 20000000 Rx - 1 01",
    b"1 1.5 DT 1 00000001 Rx - 12 01 02 03 04 05 06 07 08",
    b"1 1.1234567 DT 1 0123 Rx - 1 01",
    b"1 15 DT 1 0123 Rx - 1 01",
    b"1 -1.5 DT 1 0123 Rx - 1 01",
    b"1) 15.2 Rx 0123 1 01",
    b"1)) 15.2 Rx 0123 1 01",
    b"1) 15.2 0123 1 01",
    b"1) 15.2 FFFFFFFF 4 00 00 00 08",
    b"1 1.5 ST 1 - Rx - 4 00 00 00 08",
    b"1 1.5 ER 1 - Rx - 5 04 00 02 00 00",
    b"x 1.5 DT 1 0123 Rx - 1 01",
    b"\0\0",
)
CSV_ROWS = (
    b"timestamp,arbitration_id,extended,remote,error,dlc,data",
    b"1.5,0x123,0,0,0,2,ESI=",
    b"1.5,0x123,0,0,0,2,ESM=",  # bits behind the last byte
    b"1.5,0x123,0,0,0,1,EQ==",
    b"1.5,0x123,0,0,0,1,ER==",
    b"1.5,0x123,0,0,0,1,EQ=",
    b"1.5,0x123,0,0,0,3,ESIz",
    b"1.5,0x123,0,0,0,2,ESIz",
    b"1.5,0x123,0,0,0,0,",
    b"1.5,0x123,0,0,0,0,ESIz",
    b"1.5,0x123,0,0,0,9,ESIzRFVmd4iZ",
    b"1.5,0x800,0,0,0,0,",
    b"1.5,0x800,1,0,0,0,",
    b"1.5,0x20000000,1,0,0,0,",
    b"1.5,291,0,0,0,0,",
    b"1.5,0X123,0,0,0,0,",
    b"1.5,0x123,0,1,0,4,",
    b"1.5,0x20,0,0,1,8,AAAAAAAAAAA=",
    b"1.5,0x123,2,0,0,0,",
    b"1.5,0x123,0,0,0,08,AAAAAAAAAAA=",
    b"1.5,0x123,0,0,0,65,",
    b"1e-05,0x123,0,0,0,0,",
    b"4600000000.0,0x123,0,0,0,0,",
    b"4600000000.1,0x123,0,0,0,0,",
    b"-1.5,0x123,0,0,0,0,",
    b"1.5 ,0x123,0,0,0,0,",
    b"1.5,0x123,0,0,0,0,\r",
    b"1.5,0x123,0,0,0,0, ",
    b"1.5,0x123,0,0,0",
)
ODD_LINES = {".asc": ASC_LINES, ".trc": TRC_LINES, ".csv": CSV_ROWS}

Seen = tuple[list[tuple[object, ...]], list[tuple[int, str]], int, list[str]]


def seen(path: Path, *, compiled: bool, chunk_bytes: int | None) -> Seen:
    """Give what a parser makes of a file: rows with line numbers and channels, skips, their count, and warnings."""
    reading = Reading(path, compiled=compiled, chunk_bytes=chunk_bytes)
    rows: list[tuple[object, ...]] = []
    for block in READERS[path.suffix].read(reading):
        for at, row in enumerate(rows_of(block.frames)):
            rows.append((block.line_of(at), row[0], reading.channel_names[row[1]], *row[2:]))
    skipped = [(skip.line, skip.reason) for skip in reading.skipped.first]
    return rows, skipped, reading.skipped.total, reading.warnings


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Give what python-can's writers make of the same 120 frames."""
    folder = tmp_path_factory.mktemp("written")
    block = random_block(3, 120)
    channels = ChannelTable()
    for name in ("can0", "can1", "can2"):
        channels.number(name)
    content = {}
    for suffix in (".asc", ".trc", ".csv", ".blf"):
        kept = block.take((block.flags & 0x0E) == 0) if suffix == ".trc" else block
        write_capture(folder / f"c{suffix}", [kept], channels)
        content[suffix] = (folder / f"c{suffix}").read_bytes()
    return content


def assert_both_ways_agree(path: Path) -> Seen:
    plain = seen(path, compiled=False, chunk_bytes=None)
    for chunk_bytes in (None, 700):
        assert seen(path, compiled=True, chunk_bytes=chunk_bytes) == plain
    return plain


@pytest.mark.parametrize("suffix", sorted(ODD_LINES))
def test_every_odd_line_reads_as_the_grammar_says(suffix: str, written: dict[str, bytes], tmp_path: Path) -> None:
    lines = written[suffix].split(b"\n")
    head, body = lines[: len(lines) // 2], lines[len(lines) // 2 :]
    head, body = head[-30:] if suffix == ".csv" else lines[:30], body[:10]
    for at, odd in enumerate(ODD_LINES[suffix]):
        path = tmp_path / f"{at}{suffix}"
        path.write_bytes(b"\n".join([*head, odd, *body]))
        plain = seen(path, compiled=False, chunk_bytes=None)
        assert len(plain[0]) > 10, odd
        assert seen(path, compiled=True, chunk_bytes=700) == plain, odd


@pytest.mark.parametrize("suffix", sorted(ODD_LINES))
@pytest.mark.parametrize("seed", range(6))
def test_odd_lines_in_any_order_read_as_the_grammar_says(
    suffix: str, seed: int, written: dict[str, bytes], tmp_path: Path
) -> None:
    source = random.Random(f"{suffix} {seed}")
    lines = written[suffix].split(b"\n")
    for _ in range(60):
        lines.insert(source.randrange(len(lines)), source.choice(ODD_LINES[suffix]))
    path = tmp_path / f"c{suffix}"
    path.write_bytes(b"\n".join(lines) + source.choice([b"", b"\n", b"\r\n", b"\n1.5 1", b"\n\0\0"]))
    assert_both_ways_agree(path)


@pytest.mark.parametrize("suffix", sorted(ODD_LINES))
@pytest.mark.parametrize("seed", range(6))
def test_a_byte_changed_in_many_lines_reads_as_the_grammar_says(
    suffix: str, seed: int, written: dict[str, bytes], tmp_path: Path
) -> None:
    source = random.Random(f"{suffix} {seed}")
    text = bytearray(written[suffix])
    for _ in range(80):
        text[source.randrange(len(text))] = (
            source.choice(b" .,x=0189aFRTd\n\r\t\0:;") if source.random() < 0.8 else source.randrange(256)
        )
    path = tmp_path / f"c{suffix}"
    path.write_bytes(bytes(text))
    assert_both_ways_agree(path)


@pytest.mark.parametrize("seed", range(4))
def test_times_that_count_from_line_to_line_add_up_as_the_grammar_says(seed: int, tmp_path: Path) -> None:
    source = random.Random(seed)
    odd = (
        b" 0.5 1 Statistic: D 0 R 0",
        b" -0.25 1 123 Rx d 1 7",
        b" 1000000000.0 1 7 Rx d 1 7",  # in range, and the second of them is not
        b" -1000000000.0 3 7 Rx d 1 7",
        b"base hex timestamps absolute",
        b"base dec timestamps relative",
        b" 0.1 CAN 1 Status:chip status error passive - TxErr: 128 RxErr: 7",
        b"junk",
    )
    frames = [b" 0.001%d 1 %x Rx d 2 11 22" % (n % 10, n) for n in range(400)]
    for _ in range(12):
        frames.insert(source.randrange(len(frames)), source.choice(odd))
    path = tmp_path / "c.asc"
    head = b"date Sat Sep 30 15:06:13 2017\nbase hex timestamps relative\n"
    path.write_bytes(head + b"\n".join(frames) + b"\n")
    rows, *_ = assert_both_ways_agree(path)
    assert rows


def test_a_layout_that_changes_in_every_line_is_followed_in_bounded_time(tmp_path: Path) -> None:
    path = tmp_path / "c.asc"
    pair = b"base dec timestamps absolute\n1.0 1 100 Rx d 1 16\nbase hex timestamps absolute\n2.0 1 100 Rx d 1 16\n"
    path.write_bytes(b"date Sat Sep 30 15:06:13 2017\n" + pair * 400)
    rows, _, n_skipped, _ = seen(path, compiled=True, chunk_bytes=None)
    assert n_skipped == 0
    assert [(row[3], row[6]) for row in rows] == [(100, "10"), (0x100, "16")] * 400


@pytest.mark.parametrize("seed", range(12))
def test_damaged_objects_read_as_the_grammar_says(seed: int, written: dict[str, bytes], tmp_path: Path) -> None:
    content, source = written[".blf"], random.Random(seed)
    at = content.index(b"LOBJ", 4)
    objects = bytearray(zlib.decompress(content[at + 32 :]))
    for _ in range(source.choice([1, 5, 40])):
        place = source.randrange(len(objects))
        objects[place] = source.choice([0, 1, 2, 8, 16, 48, 73, 86, 100, 101, 255])
    if source.random() < 0.3:
        del objects[source.randrange(len(objects)) :]
    path = tmp_path / "c.blf"
    path.write_bytes(content[:at] + b"".join(container(bytes(part)) for part in cut(objects, source)))
    rows, *_ = plain = seen(path, compiled=False, chunk_bytes=None)
    assert seen(path, compiled=True, chunk_bytes=None) == plain
    assert seen(path, compiled=True, chunk_bytes=1) == plain
    assert rows


def container(objects: bytes) -> bytes:
    packed = zlib.compress(objects)
    size = 32 + len(packed)
    head = b"LOBJ" + (16).to_bytes(2, "little") + (1).to_bytes(2, "little")
    body = (2).to_bytes(2, "little") + bytes(6) + len(objects).to_bytes(4, "little") + bytes(4)
    return head + size.to_bytes(4, "little") + (10).to_bytes(4, "little") + body + packed + bytes(size % 4)


def cut(objects: bytearray, source: random.Random) -> Iterator[bytearray]:
    """Cut a stream of objects anywhere, as containers do."""
    places = sorted(source.randrange(len(objects) + 1) for _ in range(4))
    for first, last in zip([0, *places], [*places, len(objects)], strict=True):
        yield objects[first:last]
