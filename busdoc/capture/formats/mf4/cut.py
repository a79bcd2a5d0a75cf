"""An `.mf4` capture that was cut off in its data: how far it goes is written where the library looks for it.

Recorders that write the description first and the records last leave such files when their power goes. The library
refuses a block that ends behind the file, so a copy is read in which the block ends with the last whole record (ASAM
MDF 4.2, blocks HD, DG, CG and DT; from memory, held to what the library reads).
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

__all__ = ["as_far_as_it_goes"]

_HEADER_BYTES = 24
"""Of every block: mark, reserved, length, number of links."""
_HD_AT = 64
_MOST_GROUPS = 4096


@contextmanager
def as_far_as_it_goes(path: Path) -> Iterator[tuple[Path, bool]]:
    """Give the capture, or a copy that ends with its last whole record; and whether it is one."""
    try:
        with path.open("rb") as file:
            patches = _patches(file)
    except (OSError, ValueError):  # damaged in another way, which the library tells
        patches = {}
    if not patches:
        yield path, False
        return
    number, name = tempfile.mkstemp(suffix=".mf4")
    try:
        os.close(number)
        shutil.copyfile(path, name)
        with open(name, "r+b") as copy:
            for at, content in patches.items():
                copy.seek(at)
                copy.write(content)
        yield Path(name), True
    finally:
        os.unlink(name)


def _patches(file: BinaryIO) -> dict[int, bytes]:
    """Give what is to be written where; nothing where no block of data ends behind the file.

    Raises
    ------
    ValueError : the description is cut off or damaged itself
    """
    size = file.seek(0, os.SEEK_END)
    patches: dict[int, bytes] = {}
    group = _number(file, _HD_AT + _HEADER_BYTES, 8)
    for _ in range(_MOST_GROUPS):
        if not group:
            break
        _require(file, group, b"##DG")
        links = group + _HEADER_BYTES
        records, data = _number(file, links + 8, 8), _number(file, links + 16, 8)
        if data and data + _HEADER_BYTES <= size and _mark(file, data) == b"##DT":
            length = _number(file, data + 8, 8)
            if data + length > size and not _number(file, links + 32, 1):  # records without numbers are of one kind
                patches |= _shortened(file, records, data, size)
        group = _number(file, links, 8)
    return patches


def _shortened(file: BinaryIO, records: int, data: int, size: int) -> dict[int, bytes]:
    _require(file, records, b"##CG")
    about = records + _HEADER_BYTES + 8 * _number(file, records + 16, 8)
    record_bytes = _number(file, about + 24, 4) + _number(file, about + 28, 4)
    if not record_bytes:
        raise ValueError("records of no length")
    n_whole = (size - data - _HEADER_BYTES) // record_bytes
    length = _HEADER_BYTES + n_whole * record_bytes
    return {data + 8: length.to_bytes(8, "little"), about + 8: n_whole.to_bytes(8, "little")}


def _mark(file: BinaryIO, at: int) -> bytes:
    file.seek(at)
    return file.read(4)


def _require(file: BinaryIO, at: int, mark: bytes) -> None:
    if _mark(file, at) != mark:
        raise ValueError(f"no {mark.decode('ascii')} at {at}")


def _number(file: BinaryIO, at: int, n_bytes: int) -> int:
    file.seek(at)
    content = file.read(n_bytes)
    if len(content) < n_bytes:
        raise ValueError("cut off")
    return int.from_bytes(content, "little")
