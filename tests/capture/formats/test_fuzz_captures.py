"""Thousands of damaged captures of every kind: an `InputError` at most, and never a time that goes back."""

import gzip
import random
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.formats.samples import sample
from tests.truth.damage import damaged

N_MUTANTS = dict.fromkeys(READERS, 300)
N_MUTANTS |= {".log": 600, ".asc": 400, ".trc": 400, ".blf": 450}
N_MUTANTS |= {".db": 200, ".pcap": 150, ".pcapng": 150, ".mf4": 4}
"""More than 2,000 in all; each `.mf4` starts a process (`benchmarks.campaign` damages thousands)."""


@pytest.mark.parametrize("suffix", sorted(N_MUTANTS))
def test_damage_ends_in_frames_or_in_a_sentence(suffix: str, tmp_path: Path) -> None:
    content = sample(suffix, tmp_path)
    n_read = 0
    for seed in range(N_MUTANTS[suffix]):
        source = random.Random(f"{suffix} {seed}")
        mutant = damaged(content, source, most=source.choice([1, 1, 1, 2, 5])) if seed else content
        packed = suffix not in (".db", ".mf4") and seed % 10 == 0
        path = tmp_path / f"mutant{suffix}{'.gz' if packed else ''}"
        path.write_bytes(gzip.compress(mutant, 1) if packed else mutant)
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
