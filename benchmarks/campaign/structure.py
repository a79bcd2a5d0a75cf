"""Damage that keeps to a file's own structure, so that it gets past the first check: lines, numbers, words, rows.

Each kind of file is opened as far as it has an outside (compression, a container, a table), spoilt within, and closed
again as a healthy one would be.
"""

import gzip
import random
import re
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.truth.damage import damaged

__all__ = ["fast_folder", "spoil"]

_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
_WORD = re.compile(rb"[A-Za-z_][A-Za-z_0-9.-]*")
_NUMBERS = (
    b"0",
    b"-1",
    b"1",
    b"255",
    b"65536",
    b"2147483648",
    b"4294967296",
    b"18446744073709551616",
    b"-9223372036854775809",
    b"1e308",
    b"1e-320",
    b"1e999",
    b"NaN",
    b"nan",
    b"-Infinity",
    b"inf",
    b"9" * 400,
    b"0x7f",
    b"1_000",
    b"1.5",
    b"00012",
    b"true",
    b'"7"',
    b"null",
    b"[]",
    b"{}",
)
_VALUES: tuple[object, ...] = (None, 0, -1, 1 << 62, 1e300, "", "x", "nan", "{}", "[]", b"", b"\0\xff", "9" * 30)


def spoil(name: str, content: bytes, source: random.Random) -> bytes:
    """Damage a file: half the time its bytes as they come, half the time what is within its structure.

    Parameters
    ----------
    name : of the file; the suffix says what it is
    """
    if source.random() < 0.5:
        return damaged(content, source)
    if name.endswith(".gz"):
        with suppress(OSError, EOFError, zlib.error):
            return gzip.compress(_spoilt_lines(gzip.decompress(content), source), 1)
    if name.endswith((".sqlite", ".db")):
        return _spoilt_rows(content, source)
    if name.endswith(".blf"):
        return _spoilt_objects(content, source)
    return damaged(content, source, most=1) if b"\0" in content else _spoilt_lines(content, source)


def _other_number(text: bytes, source: random.Random) -> bytes:
    found = list(_NUMBER.finditer(text))
    if not found:
        return text
    one = source.choice(found)
    new = source.choice(
        (*_NUMBERS, source.choice(found)[0], str(source.randrange(1 << source.randrange(1, 40))).encode())
    )
    return text[: one.start()] + new + text[one.end() :]


def _other_word(text: bytes, source: random.Random) -> bytes:
    found = list(_WORD.finditer(text))
    if not found:
        return text
    one, other = source.choice(found), source.choice(found)
    return text[: one.start()] + other[0] + text[one.end() :]


def _without_line(text: bytes, source: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    del lines[source.randrange(len(lines))]
    return b"".join(lines) or text


def _line_twice(text: bytes, source: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    lines.insert(source.randrange(len(lines)), source.choice(lines))
    return b"".join(lines)


def _lines_exchanged(text: bytes, source: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    one, other = source.randrange(len(lines)), source.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    return b"".join(lines)


_OF_LINES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _other_number,
    _other_number,
    _other_number,
    _other_word,
    _without_line,
    _line_twice,
    _lines_exchanged,
)


def _spoilt_lines(text: bytes, source: random.Random) -> bytes:
    if not text:  # there is no line to spoil
        return text
    for _ in range(source.randint(1, 3)):
        text = source.choice(_OF_LINES)(text, source)
    return text


def _spoilt_rows(content: bytes, source: random.Random) -> bytes:
    """Change values in a database that stays one."""
    with TemporaryDirectory(prefix="campaign-rows-", dir=fast_folder()) as folder:
        path = Path(folder) / "d.sqlite"
        path.write_bytes(content)
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            file.execute("PRAGMA synchronous = OFF")
            file.execute("PRAGMA journal_mode = DELETE")
            names = [name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            for _ in range(source.randint(1, 3)):
                table = source.choice(names)
                columns = [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
                rowids = [row[0] for row in file.execute(f"SELECT rowid FROM {table}")]
                if not columns or not rowids:
                    continue
                column, rowid = source.choice(columns), source.choice(rowids)
                (old,) = file.execute(f"SELECT {column} FROM {table} WHERE rowid = {rowid}").fetchone()
                new: object = source.choice(_VALUES)
                if isinstance(old, str) and source.random() < 0.6:
                    new = _spoilt_lines(old.encode("utf-8"), source).decode("utf-8", "replace")
                with suppress(sqlite3.Error):  # a key that is there already
                    file.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = {rowid}", (new,))
        return path.read_bytes()


def _spoilt_objects(content: bytes, source: random.Random) -> bytes:
    """Spoil what is within the first compressed container of a BLF file, and compress it again."""
    at = content.find(b"LOBJ")
    while at >= 0:
        size = int.from_bytes(content[at + 8 : at + 12], "little")
        kind = int.from_bytes(content[at + 12 : at + 16], "little")
        method = int.from_bytes(content[at + 16 : at + 18], "little")
        if kind == 10 and method == 2:
            with suppress(zlib.error):
                within = damaged(zlib.decompress(content[at + 32 : at + size]), source, most=1)
                packed = zlib.compress(within, 1)
                header = bytearray(content[at : at + 32])
                header[8:12] = (32 + len(packed)).to_bytes(4, "little")
                header[24:28] = len(within).to_bytes(4, "little")
                return content[:at] + bytes(header) + packed + content[at + size :]
        at = content.find(b"LOBJ", at + 4)
    return damaged(content, source, most=1)


def fast_folder() -> str | None:
    """Give a folder in memory, where the system has one."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None
