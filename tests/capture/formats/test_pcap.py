"""Network captures of CAN interfaces, in every form that their layouts allow."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.frames import ERROR, TRANSMITTED, FrameBlock
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.formats.network_capture import COOKED, SOCKETCAN, as_pcap, as_pcapng, boxed
from tests.capture.random_frames import random_block, rows_of

NAMES = ("can0", "can1", "vcan2")


def read(path: Path) -> tuple[list[tuple[object, ...]], list[str], int]:
    capture = open_capture([path])
    block = FrameBlock.concat(list(capture.blocks()))
    names = [capture.channels.name(number) for number in capture.channels.numbers]
    rows: list[tuple[object, ...]] = [(row[0], names[row[1]], *row[2:]) for row in rows_of(block)]
    return rows, list(capture.warnings), capture.skipped.total


def expected(block: FrameBlock, link: int, names: tuple[str, ...]) -> list[tuple[object, ...]]:
    """Give the rows: an error frame keeps no other flag, and only the cooked form says who sent."""
    flags = np.where(block.flags & ERROR, block.flags & (ERROR | TRANSMITTED), block.flags)
    flags = flags if link == COOKED else flags & 0x3F
    rows = rows_of(replace(block, flags=flags.astype(np.uint16)))
    return [(*row[:1], names[row[1] % len(names)], *row[2:]) for row in rows]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("link", [SOCKETCAN, COOKED])
@pytest.mark.parametrize("ticks", [10**6, 10**9])
def test_every_form_holds_every_kind_of_frame(order: str, link: int, ticks: int, tmp_path: Path) -> None:
    block = random_block(5, 200)
    (tmp_path / "c.pcap").write_bytes(as_pcap(block, order, link, ticks))
    (tmp_path / "c.pcapng").write_bytes(as_pcapng(block, order, link, ticks, NAMES))
    assert read(tmp_path / "c.pcap") == (expected(block, link, ("can0",)), [], 0)
    assert read(tmp_path / "c.pcapng") == (expected(block, link, NAMES), [], 0)


def test_a_binary_resolution_and_a_second_section_in_the_other_order(tmp_path: Path) -> None:
    block = random_block(6, 30)
    first = as_pcapng(block, "<", SOCKETCAN, 1 << 20, NAMES)
    later = replace(block, t_ns=block.t_ns + 10**11)
    (tmp_path / "c.pcapng").write_bytes(first + as_pcapng(later, ">", SOCKETCAN, 10**9, NAMES))
    rows, warnings, n_skipped = read(tmp_path / "c.pcapng")
    wanted = expected(block, SOCKETCAN, NAMES) + expected(later, SOCKETCAN, NAMES)
    assert [row[1:] for row in rows] == [row[1:] for row in wanted]
    apart_ns = [abs(int(str(a[0])) - int(str(b[0]))) for a, b in zip(rows, wanted, strict=True)]
    assert max(apart_ns) <= 10**9 // (1 << 20) + 1
    assert (warnings, n_skipped) == ([], 0)


def test_other_interfaces_are_told_and_their_records_counted(tmp_path: Path) -> None:
    block = random_block(7, 9)
    other = as_pcapng(block, "<", 1, 10**6, NAMES) + boxed("<", 3, bytes(8))
    (tmp_path / "c.pcapng").write_bytes(as_pcapng(block, "<", SOCKETCAN, 10**6, NAMES) + other)
    rows, warnings, n_skipped = read(tmp_path / "c.pcapng")
    assert (len(rows), n_skipped) == (9, 10)
    assert warnings == ["c.pcapng: it has an interface that is not CAN (link type 1), which is left out."]
    (tmp_path / "ethernet.pcap").write_bytes(as_pcap(block, "<", 1, 10**6))
    with pytest.raises(InputError, match="not one frame"):
        read(tmp_path / "ethernet.pcap")


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_capture_that_breaks_off_is_used_up_to_there(order: str, tmp_path: Path) -> None:
    block = random_block(8, 50)
    for name, whole in (
        ("c.pcap", as_pcap(block, order, SOCKETCAN, 10**6)),
        ("c.pcapng", as_pcapng(block, order, SOCKETCAN, 10**6, NAMES)),
    ):
        (tmp_path / name).write_bytes(whole[: 2 * len(whole) // 3])
        rows, warnings, _ = read(tmp_path / name)
        assert rows == expected(block, SOCKETCAN, NAMES if name == "c.pcapng" else ("can0",))[: len(rows)]
        assert len(rows) > 25
        assert "in the middle of a record" in warnings[0]
        (tmp_path / name).write_bytes(whole[: 2 * len(whole) // 3] + b"\xff" * 400)
        assert len(read(tmp_path / name)[0]) >= len(rows)
