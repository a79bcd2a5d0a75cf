"""The three parsers of `.log`: the grammar, the one in numpy and the compiled one, held to one contract."""

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.lines import MOST_LINE_BYTES
from busdoc.capture.formats.log.line import parse_line
from busdoc.capture.formats.log.reader import read_log
from busdoc.capture.formats.rows import FrameLine
from busdoc.capture.formats.write import log_text
from busdoc.capture.reading import ReadBlock, Reading
from tests.capture.random_frames import FEW, random_block, rows_of

Row = tuple[int, str, int, int, int, str]

ODD_LINES = (
    b"",
    b"# a comment",
    b"(1700000000.123456) can0 123#1",
    b"(1700000000.123456) can0 123#112233445566778899",
    b"(1700000000.123456) can0 123#1122334455667788_D",
    b"(1700000000.123456)  can0 123#11",
    b"(1700000000.123456) can0 1234#11",
    b"(1700000000.123456) can0 800#11",
    b"(1700000000.123456) can0 FFFFFFFF#11",
    b"(1700000000.123456) can0 40000123#11",
    b"(1700000000.123456) can0 80000123#11",
    b"(1700000000.123456) can0 20000040#0000000000000000",
    b"(1700000000.123456) can0 123##F" + b"AB" * 64,
    b"(1700000000.123456) can0 123##0" + b"AB" * 65,
    b"(1700000000.123456) can0 123##",
    b"(1700000000.123456) can0 123##G11",
    b"(1700000000.123456) can0 123#R8",
    b"(1700000000.123456) can0 123#R9",
    b"(1700000000.123456) can0 123#r",
    b"(1700000000.123456) can0 123#11 T",
    b"(1700000000.123456) can0 123#11 t",
    b"(1700000000.123456) can0 123#11 R\r",
    b"(1700000000.123456) can0 123#11\r",
    b"(1700000000.123456) can0 123# ",
    b"(1700000000.123456) can0#123#11",
    b"(1700000000.123456) c#n 123#11",
    b"(1700000000.123456) a_name_of_16_chars 123#11",
    b"(1700000000.123456) fifteen_letters 123#11",
    b"(1700000000.123456) can\xe9 123#11",
    b"(1700000000.123456) can0 12G#11",
    b"(1700000000.123456) can0 123#1G",
    b"(1700000000.1234567) can0 123#11",
    b"(1700000000.123456789) can0 123#11",
    b"(1.5) can0 123#11",
    b"(12) can0 123#11",
    b"(12.) can0 123#11",
    b"(.5) can0 123#11",
    b"(-1.500000) can0 123#11",
    b"(4600000000.000000) can0 123#11",
    b"(4600000000.000001) can0 123#11",
    b"(99999999999.000000) can0 123#11",
    b"(1700000000,123456) can0 123#11",
    b"(17000000a0.123456) can0 123#11",
    b"(1700000000.12345a) can0 123#11",
    b"\0\0\0\0(1700000000.123456) can0 123#11",
    b"(1700000000.123456) can0 123#11\0\0\0",
    b"\xff\xfe\x00junk",
    b")#(",
    b"can0  123   [8]  11 22 33 44 55 66 77 88",
)


def read(
    path: Path, *, compiled: bool, chunk_bytes: int | None
) -> tuple[list[Row], list[tuple[int, str]], int, list[str]]:
    """Give what a parser makes of a file: rows with line numbers, skips, their count, and warnings."""
    reading = Reading(path, compiled=compiled, chunk_bytes=chunk_bytes)
    rows: list[Row] = []
    for block in read_log(reading):
        rows.extend(named_rows(block, reading))
    skipped = [(skip.line, skip.reason) for skip in reading.skipped.first]
    return rows, skipped, reading.skipped.total, reading.warnings


def named_rows(block: ReadBlock, reading: Reading) -> Iterator[Row]:
    for at, (t_ns, channel, id_, flags, length, payload) in enumerate(rows_of(block.frames)):
        yield t_ns, f"{block.line_of(at)}:{reading.channel_names[channel]}", id_, flags, length, payload


def by_the_grammar(text: bytes) -> tuple[list[Row], list[tuple[int, str]], int]:
    """Read line by line, as slowly and plainly as can be."""
    rows: list[Row] = []
    skipped = []
    lines = text.split(b"\n")
    for number, line in enumerate(lines, 1):
        parsed = parse_line(line)
        if isinstance(parsed, FrameLine):
            name = f"{number}:{parsed.channel}"
            rows.append((parsed.t_ns, name, parsed.id, parsed.flags, parsed.length, parsed.payload.hex()))
        elif parsed is not None and number < len(lines):
            skipped.append((number, parsed))
    return rows, skipped[:8], len(skipped)


def some_text(seed: int, n: int, share_odd: float) -> bytes:
    channels = ChannelTable()
    for name in ("can0", "can1", "vcan2"):
        channels.number(name)
    lines = log_text(random_block(seed, n), channels).split(b"\n")[:-1]
    source = random.Random(seed)
    for at in range(len(lines)):
        if source.random() < share_odd:
            lines.insert(at, source.choice(ODD_LINES))
    return b"\n".join(lines) + source.choice([b"\n", b"", b"\r\n", b"\n(17000", b"\n\0\0\0"])


@pytest.mark.parametrize("compiled", [False, True])
@FEW
@given(seed=st.integers(0, 2**32 - 1), chunk_bytes=st.sampled_from([None, 40, 333, 5000]))
def test_every_parser_reads_what_the_grammar_says_wherever_the_file_is_cut(
    compiled: bool, seed: int, chunk_bytes: int | None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("log") / "c.log"
    text = some_text(seed, 60, 0.4)
    path.write_bytes(text)
    rows, skipped, n_skipped, _ = read(path, compiled=compiled, chunk_bytes=chunk_bytes)
    assert (rows, skipped, n_skipped) == by_the_grammar(text)


@FEW
@given(seed=st.integers(0, 2**32 - 1))
def test_the_parsers_agree_on_lines_with_a_byte_changed(seed: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("log") / "c.log"
    source = random.Random(seed)
    text = bytearray(some_text(seed, 80, 0.1))
    for _ in range(60):
        text[source.randrange(len(text))] = (
            source.choice(b"()#. \n\r\0_RT9aFg-") if source.random() < 0.8 else source.randrange(256)
        )
    path.write_bytes(text)
    results = [
        read(path, compiled=compiled, chunk_bytes=chunk_bytes)
        for compiled in (False, True)
        for chunk_bytes in (None, 700)
    ]
    assert results[0][:3] == by_the_grammar(bytes(text))
    assert all(result == results[0] for result in results)


@pytest.mark.parametrize("compiled", [False, True])
def test_the_odd_lines_one_by_one(compiled: bool, tmp_path: Path) -> None:
    for at, line in enumerate(ODD_LINES):
        path = tmp_path / f"{at}.log"
        path.write_bytes(line + b"\n")
        assert read(path, compiled=compiled, chunk_bytes=None)[:3] == by_the_grammar(line + b"\n"), line


@pytest.mark.parametrize("compiled", [False, True])
def test_a_line_of_many_megabytes_is_stepped_over_and_counted(compiled: bool, tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    good = b"(1700000000.000001) can0 123#11\n"
    path.write_bytes(good + b"x" * (9 << 20) + b"\n" + good + b"y" * (MOST_LINE_BYTES + 1) + b"\n" + good)
    rows, skipped, n_skipped, _ = read(path, compiled=compiled, chunk_bytes=1 << 18)
    assert [row[1] for row in rows] == ["1:can0", "3:can0", "5:can0"]
    assert (n_skipped, [line for line, _ in skipped]) == (2, [2, 4])


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize(
    ("tail", "said"),
    [
        (b"(1700000000.0000", "middle of a line"),
        (b"\0" * 300_000, "NUL bytes"),
        (b"\0" * (4 * 65_536 - 32), "NUL bytes"),
        (b"(1700000000.000002) can0 123#1" + b"\0" * 300_000, "middle of a line"),
    ],
)
def test_what_a_power_cut_leaves_at_the_end_is_told_and_not_counted(
    compiled: bool, tail: bytes, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(b"(1700000000.000001) can0 123#11\n" + tail)
    rows, _, n_skipped, warnings = read(path, compiled=compiled, chunk_bytes=1 << 16)
    assert len(rows) == 1
    assert n_skipped == 0
    assert said in warnings[0]


@pytest.mark.parametrize("compiled", [False, True])
def test_a_flood_of_channels_costs_only_those_beyond_the_256th(compiled: bool, tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(b"".join(b"(1700000000.000001) c%d 123#11\n" % at for at in range(2000)))
    rows, skipped, n_skipped, _ = read(path, compiled=compiled, chunk_bytes=9000)
    assert [row[1] for row in rows] == [f"{at + 1}:c{at}" for at in range(256)]
    assert n_skipped == 2000 - 256
    assert skipped[0] == (257, "a channel beyond the 256th")


def test_both_parsers_are_tried_on_the_same_real_sized_file(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(some_text(5, 20_000, 0.01))
    assert read(path, compiled=False, chunk_bytes=None) == read(path, compiled=True, chunk_bytes=1 << 18)
