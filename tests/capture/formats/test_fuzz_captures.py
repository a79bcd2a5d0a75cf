"""Thousands of damaged captures of every kind: an `InputError` at most, and never a time that goes back."""

import gzip
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.formats.samples import sample

N_MUTANTS = dict.fromkeys(READERS, 300) | {".log": 600, ".asc": 400, ".trc": 400, ".blf": 450, ".db": 200, ".mf4": 30}
"""More than 2,000 in all; asammdf is slow to open a file."""

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


@pytest.mark.parametrize("suffix", sorted(N_MUTANTS))
def test_damage_ends_in_frames_or_in_a_sentence(suffix: str, tmp_path: Path) -> None:
    content = sample(suffix, tmp_path)
    n_read = 0
    for seed in range(N_MUTANTS[suffix]):
        source = random.Random(f"{suffix} {seed}")
        mutant = bytearray(content)
        for _ in range(source.choice([1, 1, 1, 2, 5])):
            if len(mutant) > 8:
                source.choice(MUTATIONS)(mutant, source)
        packed = suffix not in (".db", ".mf4") and seed % 10 == 0
        path = tmp_path / f"mutant{suffix}{'.gz' if packed else ''}"
        path.write_bytes(gzip.compress(bytes(mutant), 1) if packed else bytes(mutant))
        last_ns = np.iinfo(np.int64).min
        try:
            capture = open_capture([path], compiled=seed % 2 == 0, chunk_bytes=source.choice([None, 100]))
            for block in capture.blocks():
                assert (np.diff(block.t_ns) >= 0).all(), seed
                assert int(block.t_ns[0]) >= last_ns, seed
                last_ns = int(block.t_ns[-1])
                n_read += len(block)
        except InputError:
            continue
    if not READERS[suffix].magic:  # in a text, most damage leaves most of the capture
        assert n_read > 10 * N_MUTANTS[suffix]
    assert n_read


def test_more_than_two_thousand_captures_are_damaged() -> None:
    assert sum(N_MUTANTS.values()) > 2000
