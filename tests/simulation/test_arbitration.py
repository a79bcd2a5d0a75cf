"""Frames on the wire, one after the other, by priority."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.simulation.arbitration import arbitration_key, serialise
from busdoc.simulation.arbitration_kernel import in_turn


def by_hand(release: Int64Array, cost: Int64Array, key: Int64Array) -> list[int]:
    """Pick, whenever the wire is free, the best of all that wait: the definition, in quadratic time."""
    waiting = list(range(len(release)))
    end = [0] * len(release)
    now = 0
    while waiting:
        ready = [k for k in waiting if release[k] <= now]
        if not ready:
            now = int(min(release[k] for k in waiting))
            continue
        best = min(ready, key=lambda k: (key[k], k))
        waiting.remove(best)
        now += int(cost[best])
        end[best] = now
    return end


FRAMES = st.lists(st.tuples(st.integers(0, 3000), st.integers(1, 200), st.integers(0, 5)), min_size=1, max_size=40)


@settings(max_examples=100)
@given(frames=FRAMES)
def test_frames_go_in_the_order_of_the_definition(frames: list[tuple[int, int, int]]) -> None:
    release, cost, key = np.array(sorted(frames), np.int64).T
    assert serialise(release, cost, key, 0).tolist() == by_hand(release, cost, key)


def test_the_compiled_path_gives_the_same_as_the_plain_one() -> None:
    rng = np.random.default_rng(3)
    release = np.sort(rng.integers(0, 1_000_000, 3000))
    cost, key = rng.integers(100, 500, 3000), rng.integers(0, 50, 3000)
    assert in_turn(release, cost, key, 77).tolist() == serialise(release, cost, key, 77).tolist()


def test_the_second_instance_waits_longer_than_the_first_as_published() -> None:
    # R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, Real-Time Systems 35 (2007) 239-272, the counter-example:
    # messages A, B, C of 1 ms each, periods 2.5, 3.5, 3.5 ms; released at once, C's first takes 3.0 ms, its second 3.5.
    us = [(t, 0) for t in range(0, 14_000, 2500)]
    us += [(t, 1) for t in range(0, 14_000, 3500)] + [(t, 2) for t in range(0, 14_000, 3500)]
    release, key = np.array(sorted(us), np.int64).T
    end = serialise(release, np.full(len(release), 1000, np.int64), key, 0)
    assert (end - release)[key == 2][:2].tolist() == [3000, 3500]


def test_a_base_frame_beats_an_extended_one_with_the_same_first_bits() -> None:
    # ISO 11898-1: SRR and IDE of an extended frame are recessive where a base data frame sends dominant bits.
    identifiers = np.array([0x123, 0x123 << 18, 0x122 << 18 | 0x3FFFF, 0x124], np.uint32)
    key = arbitration_key(identifiers, np.array([False, True, True, False]))
    assert np.argsort(key).tolist() == [2, 0, 1, 3]
