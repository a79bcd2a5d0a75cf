"""Codes of made-up captures with known truth: up to twenty at once by transport, in a bus that is 80 % full."""

from collections import defaultdict

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.simulation.protocol import CodeSpan, dm1_frames, emcy_frames
from tests.decode.frame_text import Frame, frames_block

PERIOD_NS = 10**9
"""DM1 once a second (SAE J1939-73 5.7.1)."""
LENGTH_S = 120.0
FULL_HZ = 1400
"""Frames of 8 bytes with 29-bit identifiers that fill 80 % of 250 kbit/s, at 143 bits each (ISO 11898-1)."""

Truth = dict[tuple[str, str], list[tuple[float, float | None]]]


def _random_codes(rng: np.random.Generator, controller: str, n_codes: int, *, emcy: bool) -> list[CodeSpan]:
    """Give each code one to three stretches of at least 3 s, more than 3 s apart."""
    spans: list[CodeSpan] = []
    for code in range(n_codes):
        at_s = float(rng.uniform(2.0, 20.0))
        for _ in range(int(rng.integers(1, 4))):
            to_s = at_s + float(rng.uniform(3.0, 25.0))
            if to_s > LENGTH_S - 4.0:
                break
            spans.append(
                CodeSpan(
                    controller=controller,
                    raised_s=at_s,
                    cleared_s=to_s,
                    spn=None if emcy else 3000 + 7 * code,
                    fmi=None if emcy else code % 20,
                    emcy=0x5000 + code if emcy else None,
                )
            )
            at_s = to_s + float(rng.uniform(3.0, 15.0))
    return spans


def _capture(seed: int, *, only_active: bool) -> tuple[FrameBlock, Truth]:
    rng = np.random.default_rng(seed)
    truth: Truth = defaultdict(list)
    loose: list[Frame] = []
    for number, address in enumerate((0x31, 0x32, 0x33)):
        codes = _random_codes(rng, str(address), (1, 7, 20)[number], emcy=False)
        for code in codes:
            truth[str(address), f"SPN {code.spn} FMI {code.fmi}"].append((code.raised_s, code.cleared_s))
        sent = dm1_frames(
            codes, str(address), address, 0, from_s=0.0, until_s=LENGTH_S, phase_s=0.3 * number, only_active=only_active
        )
        loose += [(round(frame.time_s * 1e9), 0, frame.id, True, frame.data) for frame in sent]
    node = _random_codes(rng, "5", 1, emcy=True)
    for code in node:
        truth["5", f"EMCY 0x{code.emcy:04X}"].append((code.raised_s, code.cleared_s))
    loose += [(round(f.time_s * 1e9), 0, f.id, False, f.data) for f in emcy_frames(node, "5", 5, 0)]
    loose += [(n * 10**9, 0, 0x705, False, b"\x05") for n in range(int(LENGTH_S))]
    n = int(FULL_HZ * LENGTH_S)
    other_ns = np.sort(rng.integers(0, int(LENGTH_S * 1e9), n))
    background = FrameBlock(
        t_ns=other_ns,
        channel=np.zeros(n, np.uint8),
        id=(0x18F00400 + rng.integers(0, 200, n) * 0x100 + rng.integers(0, 4, n)).astype(np.uint32),
        flags=np.ones(n, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=rng.integers(0, 256, (n, 8)).astype(np.uint8),
    )
    both = FrameBlock.concat([frames_block(sorted(loose, key=lambda frame: frame[0])), background])
    return both.take(np.argsort(both.t_ns, kind="stable").astype(np.int64)), truth


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("only_active", [False, True])
def test_every_raise_and_clear_is_found_within_a_broadcast_period_and_none_is_invented(
    seed: int, only_active: bool
) -> None:
    block, truth = _capture(seed, only_active=only_active)
    watch = CodeWatch(names=lambda channel, address: str(address))
    for first in range(0, len(block), 20_000):
        watch.feed(block.slice(first, first + 20_000))
    codes = watch.codes(int(block.t_ns[-1]))
    assert {(code.controller, code.code) for code in codes} == set(truth)
    for code in codes:
        expected = truth[code.controller, code.code]
        assert code.occurrences == len(expected)
        for (raised_ns, cleared_ns), (raised_s, cleared_s) in zip(code.active_spans, expected, strict=True):
            assert cleared_ns is not None
            assert cleared_s is not None
            assert -1000 <= raised_ns - raised_s * 1e9 <= PERIOD_NS  # the truth is told in float seconds
            assert abs(cleared_ns - cleared_s * 1e9) <= PERIOD_NS
    assert watch.warnings == ()
    assert len(watch.incidents(int(block.t_ns[-1]))) == sum(len(spans) for spans in truth.values())
