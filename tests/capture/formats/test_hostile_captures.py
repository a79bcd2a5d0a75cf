"""Files that are wrong, damaged or meant to harm: a clear sentence or a counted warning, in bounded time and memory."""

import gzip
import io
import os
import re
import subprocess
import sys
import tempfile
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.mf4.columns import mf4_blocks
from busdoc.capture.formats.mf4.passing import Sender, receive
from busdoc.capture.formats.suffixes import READERS, Reader
from busdoc.capture.formats.write import write_capture
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.formats.samples import sample
from tests.capture.random_frames import rows_of

LINE = b"(1700000000.000001) can0 123#11\n"


def read_all(path: Path) -> FrameBlock:
    return FrameBlock.concat(list(open_capture([path]).blocks()))


def test_a_missing_file_is_named_with_the_nearest_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "tuesday.log").write_bytes(LINE)
    with pytest.raises(InputError, match=r'teusday\.log: expected a capture file.*"tuesday\.log"'):
        open_capture([tmp_path / "teusday.log"])


def test_an_empty_file_is_an_input_error(tmp_path: Path) -> None:
    (tmp_path / "c.log").write_bytes(b"")
    with pytest.raises(InputError, match="an empty file"):
        open_capture([tmp_path / "c.log"])


@pytest.mark.parametrize("name", ["c.txt", "capture", "c.gz"])
def test_an_unknown_suffix_is_answered_with_those_that_are_read(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(LINE)
    with pytest.raises(InputError, match=re.escape(", ".join(READERS))):
        open_capture([tmp_path / name])


@pytest.mark.parametrize(
    ("content", "suffix"),
    [
        (b"LOGG" + bytes(200), ".blf"),
        (b"SQLite format 3\0" + bytes(200), ".db"),
        (b"MDF     4.11    " + bytes(200), ".mf4"),
        (b";$FILEVERSION=2.1\n", ".trc"),
        (b"date Sat Sep 30 15:06:13.191 2017\n", ".asc"),
        (b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", ".csv"),
    ],
)
@pytest.mark.parametrize("packed", [False, True])
def test_content_of_another_kind_than_the_name_says_gets_the_advice_to_rename(
    content: bytes, suffix: str, packed: bool, tmp_path: Path
) -> None:
    path = tmp_path / ("c.log.gz" if packed else "c.log")
    path.write_bytes(gzip.compress(content) if packed else content)
    with pytest.raises(InputError, match=rf"the content of an? \{suffix} one\. Rename it"):
        open_capture([path])


@pytest.mark.parametrize("suffix", [suffix for suffix, reader in READERS.items() if not reader.magic])
def test_junk_under_a_captures_name_ends_in_a_sentence_that_shows_the_first_line(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"c{suffix}"
    path.write_bytes(bytes(range(1, 256)) * 500)
    with pytest.raises(InputError, match=r"an? \.\w+ capture, found not one frame in .*\(line 1: "):
        read_all(path)


@pytest.mark.parametrize("suffix", [suffix for suffix, reader in READERS.items() if reader.magic])
@pytest.mark.parametrize("head_only", [False, True])
def test_junk_in_a_binary_capture_ends_in_a_sentence(suffix: str, head_only: bool, tmp_path: Path) -> None:
    magic = READERS[suffix].magic
    head = b"MDF     4.11    " if suffix == ".mf4" else magic if isinstance(magic, bytes) else magic[0]
    path = tmp_path / f"c{suffix}"
    path.write_bytes(head if head_only else head + bytes(range(256)) * 40)
    with pytest.raises(InputError, match=rf"c\{suffix}: expected"):
        read_all(path)


def gzip_of_zeros(n_bytes: int, *, before: bytes = b"") -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=1) as file:
        file.write(before)
        for _ in range(n_bytes >> 20):
            file.write(bytes(1 << 20))
    return packed.getvalue()


@pytest.mark.parametrize("name", ["c.log.gz", "c.asc.gz", "c.trc.gz", "c.csv.gz"])
def test_a_bomb_of_zeros_behind_gzip_is_given_up_after_a_while(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(gzip_of_zeros(200 << 20))
    tracemalloc.start()
    with pytest.raises(InputError, match="64 MB without one frame"):
        read_all(tmp_path / name)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60 << 20


def test_zeros_without_end_behind_good_frames_are_left_with_a_warning(tmp_path: Path) -> None:
    (tmp_path / "c.log.gz").write_bytes(gzip_of_zeros(200 << 20, before=LINE * 10))
    capture = open_capture([tmp_path / "c.log.gz"])
    assert sum(len(block) for block in capture.blocks()) == 10
    assert "it goes on for 64 MB without one frame" in capture.warnings[0]


def test_zeros_behind_good_frames_of_a_large_file_cost_none_of_them(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    with path.open("wb") as file:
        file.write(LINE * 10)
        file.truncate(100 << 20)  # a recorder's file that was allocated ahead
    capture = open_capture([path], compiled=True)
    assert sum(len(block) for block in capture.blocks()) == 10
    assert any("it goes on for 64 MB without one frame" in text for text in capture.warnings)


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.8, 0.97])
def test_a_flipped_bit_behind_gzip_costs_only_what_follows_it(share: float, compiled: bool, tmp_path: Path) -> None:
    # RFC 1951 has no way to go on behind damage
    lines = b"".join(b"(%d.%06d) can0 18FF00%02X#%016X\n" % (1, k, k % 256, k * 2654435761) for k in range(20_000))
    packed = bytearray(gzip.compress(lines, 6))
    packed[int(share * len(packed))] ^= 0x10
    (tmp_path / "c.log.gz").write_bytes(packed)
    capture = open_capture([tmp_path / "c.log.gz"], compiled=compiled)
    n_frames = sum(len(block) for block in capture.blocks())
    assert n_frames >= (share - 0.1) * 20_000 * 0.9
    assert len(capture.warnings) >= 1


def test_damage_that_no_reader_knows_ends_the_file_with_what_was_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read(reading: Reading) -> Iterator[ReadBlock]:
        yield from READERS[".log"].read(reading)
        raise ZeroDivisionError("division by zero")

    def read_nothing(_: Reading) -> Iterator[ReadBlock]:
        raise RecursionError

    (tmp_path / "c.odd").write_bytes(LINE * 10)
    monkeypatch.setitem(READERS, ".odd", Reader(read))
    capture = open_capture([tmp_path / "c.odd"])
    assert sum(len(block) for block in capture.blocks()) == 10
    assert capture.warnings == ("c.odd: it is damaged (division by zero); what was before the damage is used.",)
    monkeypatch.setitem(READERS, ".odd", Reader(read_nothing))
    with pytest.raises(InputError, match=r"found damage \(RecursionError\)"):
        read_all(tmp_path / "c.odd")


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("c.asc", b"date Sam Sep 30 15:06:13.191 65017\nbase hex timestamps absolute\n"),
        ("c.asc", b"date Sam Sep 30 15:06:13.191 1023\nbase hex timestamps absolute\n"),
        ("c.trc", b";$FILEVERSION=2.1\n;$STARTTIME=46083.301e5743389355\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"),
    ],
)
def test_a_start_in_a_year_that_no_recorder_saw_leaves_the_frames(name: str, head: bytes, tmp_path: Path) -> None:
    line = b"0.5 1 123 Rx d 1 00\n" if name == "c.asc" else b"1 500.0 DT 1 0123 Rx - 1 00\n"
    (tmp_path / name).write_bytes(head + line)
    capture = open_capture([tmp_path / name])
    (block,) = list(capture.blocks())
    assert block.t_ns.tolist() == [500_000_000]
    assert any("times count from the start of the file" in text for text in capture.warnings)


def test_a_blf_without_one_usable_time_is_a_sentence(tmp_path: Path) -> None:
    # objects of python-can's writer, the time of each set to its highest
    content = sample(".blf", tmp_path)
    header, at = content[:144], content.index(b"LOBJ", 4)
    container = zlib.decompress(content[at + 32 :])
    spoilt = bytearray(container)
    for place in [found.start() for found in re.finditer(b"LOBJ", container)]:
        spoilt[place + 24 : place + 32] = b"\xff" * 7 + b"\x7f"
    packed = zlib.compress(bytes(spoilt))
    size = 32 + len(packed)
    head = content[at : at + 8] + size.to_bytes(4, "little") + content[at + 12 : at + 32]
    (tmp_path / "t.blf").write_bytes(header + head + packed + bytes(size % 4))
    with pytest.raises(InputError, match="a time out of range"):
        read_all(tmp_path / "t.blf")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_under_a_captures_name_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "c.log")
    with pytest.raises(InputError, match=r"found a pipe. Give a file, or - to read standard input"):
        read_all(tmp_path / "c.log")


def test_an_inflated_capture_far_beyond_its_size_is_refused_before_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (tmp_path / "c.mf4.gz").write_bytes(gzip_of_zeros(300 << 20, before=b"MDF     4.10    "))
    with pytest.raises(InputError, match="inflates to more than"):
        read_all(tmp_path / "c.mf4.gz")
    assert [path.name for path in tmp_path.iterdir()] == ["c.mf4.gz"]


def test_a_compressed_file_that_is_cut_off_is_used_up_to_the_cut(tmp_path: Path) -> None:
    text = b"".join(b"(1700000000.%06d) can0 123#%04X\n" % (n, n * 7919 % 65536) for n in range(20_000))
    whole = gzip.compress(text)
    (tmp_path / "c.log.gz").write_bytes(whole[: len(whole) // 2])
    capture = open_capture([tmp_path / "c.log.gz"])
    assert 2000 < sum(len(block) for block in capture.blocks()) < 19_000
    assert "cut off" in " ".join(capture.warnings)


def test_a_capture_in_zstandard_that_is_cut_off_or_damaged_is_used_up_to_there(tmp_path: Path) -> None:
    text = b"".join(b"(1700000000.%06d) can0 123#%08X\n" % (n, n * 2654435761 % 2**32) for n in range(40_000))
    whole = zstd.compress(text)
    for name, content, said in (
        ("cut", whole[: len(whole) // 2], "cut off"),
        ("junk", whole[: len(whole) // 2] + b"\xff" * 2048 + whole[len(whole) // 2 :], "the file is damaged"),
    ):
        (tmp_path / f"{name}.log.zst").write_bytes(content)
        capture = open_capture([tmp_path / f"{name}.log.zst"])
        assert 5000 < sum(len(block) for block in capture.blocks()) < 39_000
        assert said in " ".join(capture.warnings)


def test_a_damaged_compressed_file_is_used_up_to_the_damage_or_refused(tmp_path: Path) -> None:
    text = b"".join(b"(1700000000.%06d) can0 123#%04X\n" % (n, n * 7919 % 65536) for n in range(60_000))
    damaged = bytearray(gzip.compress(text))
    damaged[len(damaged) // 2 : len(damaged) // 2 + 50] = bytes(50)
    (tmp_path / "c.log.gz").write_bytes(bytes(damaged))
    capture = open_capture([tmp_path / "c.log.gz"])
    try:
        n_frames = sum(len(block) for block in capture.blocks())
    except InputError:
        return
    assert n_frames < 60_000
    assert capture.warnings or capture.skipped.total


def test_content_that_is_packed_though_its_name_does_not_say_so_is_read(tmp_path: Path) -> None:
    (tmp_path / "c.log").write_bytes(gzip.compress(LINE))
    assert len(read_all(tmp_path / "c.log")) == 1


def test_several_packed_pieces_one_after_the_other_are_one_file(tmp_path: Path) -> None:
    (tmp_path / "c.log.gz").write_bytes(gzip.compress(LINE) + gzip.compress(LINE.replace(b"1)", b"2)")))
    assert len(read_all(tmp_path / "c.log.gz")) == 2


def test_a_gigabyte_in_one_line_costs_no_memory_to_speak_of(tmp_path: Path) -> None:
    path = tmp_path / "c.log.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(LINE)
        for _ in range(40):
            file.write(b"x" * (1 << 20))
        file.write(b"\n" + LINE)
    capture = open_capture([path])
    tracemalloc.start()
    assert sum(len(block) for block in capture.blocks()) == 2
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert capture.skipped.total == 1
    assert peak < 40 << 20


def test_a_blf_container_that_inflates_without_end_is_bounded(tmp_path: Path) -> None:
    import struct

    packed = zlib.compress(bytes(200 << 20), 9)
    body = struct.pack("<H6xL4x", 2, 131072) + packed
    container = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 16 + len(body), 10) + body
    (tmp_path / "c.blf").write_bytes(struct.pack("<4sL", b"LOGG", 144).ljust(144, b"\0") + container * 2)
    tracemalloc.start()
    with pytest.raises(InputError):
        read_all(tmp_path / "c.blf")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 300 << 20


def test_a_small_capture_is_read_without_loading_what_is_slow_to_load(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(LINE * 100)
    program = (
        "import sys; from pathlib import Path; from busdoc.capture.source import open_capture\n"
        f"print(sum(len(b) for b in open_capture([Path({str(path)!r})]).blocks()))\n"
        "slow = ('numba', 'can', 'asammdf', 'pandas', 'scipy', 'cantools', 'isal')\n"
        "print([name for name in slow if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["100", "[]"]


def test_a_capture_that_is_not_read_to_its_end_lets_go_of_its_file(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(LINE * 50_000)
    for compiled in (False, True):
        blocks = open_capture([path], compiled=compiled, block_frames=10).blocks()
        assert len(next(blocks)) == 10
        blocks.close()
    path.unlink()
    assert not path.exists()


def test_lines_that_are_no_text_at_all_do_not_hide_the_good_ones(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(b"\xff\xfe\xfd\n" + LINE + b"\x00\x01\x02\n" + LINE)
    assert [row[2] for row in rows_of(read_all(path))] == [0x123, 0x123]


def test_a_channel_beyond_its_record_is_damage_and_no_fault_of_memory() -> None:
    path = Path(__file__).with_name("beyond_the_record.mf4")  # in a process of its own: a fault would end this one
    done = subprocess.run(
        [sys.executable, "-m", "busdoc", "postmortem", str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "found not one frame" in done.stderr


def test_frames_pass_through_a_buffered_pipe_as_an_interpreter_opens_it(tmp_path: Path) -> None:
    path = tmp_path / "c.log"
    path.write_bytes(LINE * 3)
    sent = Reading(path)
    reads, writes = os.pipe()
    with open(reads, "rb") as source, open(writes, "wb") as target:  # numpy asks such a file where it stands
        sender = Sender(sent, target)
        for block in open_capture([path]).blocks():
            sender.block(ReadBlock(frames=block, first_line=1))
        sender.done()
        target.close()
        passed = list(receive(source))
    assert [len(one.block.frames) for one in passed if one.block is not None] == [3]
    assert passed[-1].done


def with_records_last(content: bytes) -> bytes:
    """Give an `.mf4` capture as a recorder leaves it that writes the description first: records plain, at the end."""
    raw = bytearray(content)
    link = raw.index(b"##DG") + 40
    at = int.from_bytes(raw[link : link + 8], "little")
    assert raw[at : at + 4] == b"##DZ"
    columns, n_bytes, n_packed = (
        int.from_bytes(raw[at + first : at + last], "little") for first, last in ((28, 32), (32, 40), (40, 48))
    )
    records = zlib.decompress(bytes(raw[at + 48 : at + 48 + n_packed]))
    if raw[at + 26] == 1:  # transposed before it was compressed
        whole = n_bytes // columns * columns
        table = np.frombuffer(records[:whole], np.uint8).reshape(columns, -1)
        records = table.T.tobytes() + records[whole:]
    raw += bytes(-len(raw) % 8)
    raw[link : link + 8] = len(raw).to_bytes(8, "little")
    return bytes(raw) + b"##DT" + bytes(4) + (24 + n_bytes).to_bytes(8, "little") + bytes(8) + records


def test_an_mf4_cut_off_in_its_records_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    log, whole, cut = tmp_path / "c.log", tmp_path / "whole.mf4", tmp_path / "cut.mf4"
    log.write_bytes(b"".join(b"(1700000000.%06d) can0 123#%02X\n" % (k, k) for k in range(100)))
    channels = ChannelTable()
    channels.number("can0")
    write_capture(whole, [read_all(log)], channels)
    content = with_records_last(whole.read_bytes())
    record_bytes = (len(content) - content.rindex(b"##DT") - 24) // 100
    cut.write_bytes(content[: -20 * record_bytes - 5])
    reading = Reading(cut)
    frames = FrameBlock.concat([block.frames for block in mf4_blocks(reading)])
    assert frames.data[:, 0].tolist() == list(range(79))
    assert reading.warnings == ["it is cut off in its records; the whole ones before are used."]
