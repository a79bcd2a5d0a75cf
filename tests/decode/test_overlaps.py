"""Which signals of a message overlap: found without comparing each with all others, and the same as if one did."""

from itertools import combinations

import numpy as np

from busdoc.decode.database import message as module
from busdoc.decode.database.message import Message, Signal, faults
from tests.decode.random_messages import random_message


def one_by_one(message: Message) -> list[str]:
    """Compare each signal with all others."""
    n_bytes = max(signal.n_bytes for signal in message.signals)
    by_name = {signal.name: signal for signal in message.signals}
    return [
        f"the signals {a.name} and {b.name} are overlapping in message {message.name}"
        for a, b in combinations(message.signals, 2)
        if module._bits(a, n_bytes) & module._bits(b, n_bytes) and module._together(a, b, by_name)
    ]


def test_the_overlaps_found_are_those_that_comparing_all_of_them_finds() -> None:
    n_found = 0
    for seed in range(400):
        message = random_message(np.random.default_rng(seed), seed)
        found = [text for text in faults(message) if "overlapping" in text]
        assert found == one_by_one(message), seed
        n_found += len(found)
    assert n_found > 200


def test_of_a_multiplex_with_thousands_of_branches_only_those_that_share_one_are_compared() -> None:
    branches = [
        Signal(name=f"S{k}", start=8, length=8, little_endian=True, multiplexer="M", multiplexer_values=((k, k),))
        for k in range(3000)
    ]
    twin = Signal(name="T", start=12, length=8, little_endian=True, multiplexer="M", multiplexer_values=((7, 7),))
    selector = Signal(name="M", start=0, length=8, little_endian=True)
    message = Message(name="X", frame_id=0x123, extended=False, length=8, signals=(selector, *branches, twin))
    pairs = list(module._perhaps_together(message.signals))
    assert len(pairs) == 3001 + 1  # the selector with each, and the two of the seventh branch
    assert faults(message) == ["the signals S7 and T are overlapping in message X"]
