"""Up to twenty fault codes at once on every controller of a bus at 80 % load: each raise and clear is found."""

from collections import defaultdict

import pytest

from busdoc.analysis.case import Case
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from tests.truth.by_chance.random_traffic import healthy_recording

LATE_NS = 1_050_000_000
"""DM1 goes out each second (SAE J1939-73 5.7.1); its announcement may have to wait for the bus and for a session of the
sender's own (SAE J1939-21 5.10)."""


@pytest.mark.parametrize("seed", [0, 3, 6])
def test_every_raise_and_clear_is_found_and_none_invented(seed: int) -> None:
    recording, streams = healthy_recording(seed, length_s=120.0, most_codes=20)
    channels = ChannelTable()
    channels.number("can0")
    watches = Watches(Case(machine=recording.world.machine, channels=channels))
    for block in recording.blocks(streams, chunk_s=20.0):
        watches.feed(block)
    found = watches.codes(watches.close())
    told: dict[tuple[str, int | None, int | None], list[tuple[int, int | None]]] = defaultdict(list)
    for code in found.codes:
        told[code.controller, code.spn, code.fmi] += code.active_spans
    true: dict[tuple[str, int | None, int | None], list[tuple[int, int | None]]] = defaultdict(list)
    for span in recording.codes:
        cleared_ns = None if span.cleared_s is None else round(span.cleared_s * 1e9)
        true[span.controller, span.spn, span.fmi].append((round(span.raised_s * 1e9), cleared_ns))
    assert len(true) > 100
    assert set(told) == set(true)
    for key, spans in true.items():
        assert len(told[key]) == len(spans), key
        for (raised_ns, cleared_ns), (told_raised_ns, told_cleared_ns) in zip(spans, sorted(told[key]), strict=True):
            assert 0 <= told_raised_ns - raised_ns < LATE_NS
            assert (told_cleared_ns is None) == (cleared_ns is None)
            if told_cleared_ns is not None and cleared_ns is not None:
                assert abs(told_cleared_ns - cleared_ns) < LATE_NS
