"""Damage as disks, power cuts and attackers do it to a file: flips, cuts, pieces gone, doubled or zeroed."""

import random
from collections.abc import Callable

__all__ = ["MUTATIONS", "damaged"]

TOKENS = (
    b"\n",
    b"\0",
    b"\xff",
    b"#",
    b"(",
    b")",
    b" ",
    b",",
    b";",
    b"-",
    b"1e308",
    b"99999999999999999999",
    b"LOBJ",
    b"x",
)


def flip_bytes(content: bytearray, source: random.Random) -> None:
    for _ in range(source.randint(1, 8)):
        content[source.randrange(len(content))] = source.randrange(256)


def cut(content: bytearray, source: random.Random) -> None:
    del content[source.randrange(1, len(content)) :]


def drop_piece(content: bytearray, source: random.Random) -> None:
    start = source.randrange(len(content))
    del content[start : start + source.randint(1, 60)]


def double_piece(content: bytearray, source: random.Random) -> None:
    start = source.randrange(len(content))
    piece = content[start : start + source.randint(1, 200)]
    at = source.randrange(len(content))
    content[at:at] = piece * source.randint(1, 3)


def insert_token(content: bytearray, source: random.Random) -> None:
    for _ in range(source.randint(1, 4)):
        at = source.randrange(len(content))
        content[at:at] = source.choice(TOKENS)


def zero_piece(content: bytearray, source: random.Random) -> None:
    start = source.randrange(len(content))
    n_bytes = min(source.randint(1, 120), len(content) - start)
    content[start : start + n_bytes] = bytes(n_bytes)


def set_words(content: bytearray, source: random.Random) -> None:
    at = source.randrange(max(1, len(content) - 8))
    word = source.choice([0, 1, 0xFF, 0x7FFFFFFF, 0xFFFFFFFF, 1 << 63, (1 << 64) - 1])
    content[at : at + 8] = word.to_bytes(8, "little")


MUTATIONS: tuple[Callable[[bytearray, random.Random], None], ...] = (
    flip_bytes,
    cut,
    drop_piece,
    double_piece,
    insert_token,
    zero_piece,
    set_words,
)


def damaged(content: bytes, source: random.Random, most: int = 3) -> bytes:
    """Give a file's content after one to `most` kinds of damage; never empty where it was not."""
    spoilt = bytearray(content)
    for _ in range(source.randint(1, most)):
        if len(spoilt) > 1:
            source.choice(MUTATIONS)(spoilt, source)
    return bytes(spoilt)
