"""Does "restarted or kept running" hold on real machines? Frames cut out of recordings, and their own starts.

    python -m benchmarks.restart_calibration [--cuts 200] [--seed 0]

Kept running: what one source sent is taken out of the recordings below tests/data/real, in stretches from three of its
slowest periods to 60 s; the recordings take turns, each cut alone in a fresh copy of one, until there are as many as
asked for. Restarted: the losses at the cranks and power cycles of the same recordings (SOURCES in their
NOTICE), once as they are and once without the address claims, from phases, counters and order alone. Printed is, by
what was said, how many there were and how many had restarted.
"""

import argparse
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import IncidentKind, Loss
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.summary import Health

REAL = Path(__file__).resolve().parents[1] / "tests" / "data" / "real"
CUT_FROM = ("tractor-*", "bench-*", "boat-*")
POWER_LOST = {"tractor-*": (0.0, 6.0), "bench-power-*": (25.0, 32.0), "bench-forged-*": (64.0, 92.0)}
"""Seconds in which whoever fell, fell at a crank or a power cycle, and came back anew."""
BINS = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0)
TRIES = 200
"""Draws without a cut, after which a recording has no room for one."""
LOST = (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)


def judged(block: FrameBlock, until_ns: int | None = None) -> Health:
    watch = HealthWatch()
    watch.feed(block)
    return watch.close(until_ns)


def of_controller(block: FrameBlock, one: ControllerHealth) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    own = np.zeros(len(block), np.bool_)
    for stream in one.streams:
        is_it = (block.id == stream.key.id) & (block.channel == stream.key.channel)
        own |= is_it & ((block.flags & 1) == int(stream.key.extended))
    return own


class Cut(NamedTuple):
    """One source taken out for a while, and what was said of it."""

    text: str
    """Who, and for how long."""
    loss: Loss | None
    """None: it was not found."""
    edges_hold: bool
    """Both edges lie within a period of its fastest stream of the last frame and the first one."""
    silent_bus: bool


def all_cuts(blocks: Mapping[Path, FrameBlock], n_cuts: int, rng: np.random.Generator) -> list[Cut]:
    """Cut each recording in turn, round after round; one without room for another cut is left out from then on."""
    made: list[Cut] = []
    turns = {path: cut_losses(block, rng) for path, block in blocks.items()}
    while turns and len(made) < n_cuts:
        for path, turn in list(turns.items()):
            cut = next(turn, None)
            if cut is None:
                del turns[path]
            elif len(made) < n_cuts:
                made.append(cut._replace(text=f"{path.name}: {cut.text}"))
    return made


def cut_losses(block: FrameBlock, rng: np.random.Generator) -> Iterator[Cut]:
    """Take one source out for a while, again and again, until no room is found for it."""
    healthy = judged(block)
    n_silences = sum(incident.kind is IncidentKind.BUS_SILENCE for incident in healthy.incidents)
    rhythmic = [one for one in healthy.controllers if any(stream.cyclic for stream in one.streams)]
    failed = 0
    while rhythmic and failed < TRIES:
        failed += 1
        one = rhythmic[int(rng.integers(len(rhythmic)))]
        cyclic = [stream for stream in one.streams if stream.cyclic and stream.period_ns]
        slowest_ns = max(stream.period_ns or 0 for stream in cyclic)
        first_ns = max(stream.first_ns for stream in cyclic) + 4 * slowest_ns
        last_ns = min(stream.last_ns for stream in cyclic) - 4 * slowest_ns
        longest_ns = min(60e9, last_ns - first_ns)
        if longest_ns <= 3 * slowest_ns:
            continue
        lasts_ns = 3 * slowest_ns * (longest_ns / (3 * slowest_ns)) ** rng.random()
        from_ns = first_ns + rng.random() * (last_ns - first_ns - lasts_ns)
        to_ns = from_ns + lasts_ns
        away = (span for other in rhythmic for span in other.absences)
        if any(low < to_ns + 1e9 and high > from_ns - 1e9 for low, high in away):
            continue
        failed = 0
        gone = of_controller(block, one) & (block.t_ns > from_ns) & (block.t_ns < to_ns)
        found = judged(block.take(~gone), healthy.until_ns)
        losses = [loss for incident in found.incidents if incident.kind in LOST for loss in incident.losses]
        n_more = sum(incident.kind is IncidentKind.BUS_SILENCE for incident in found.incidents) - n_silences
        told = next(
            (
                loss
                for loss in losses
                if loss.controller == one.name and loss.last_seen_ns < to_ns and (loss.back_ns or to_ns) > from_ns
            ),
            None,
        )
        own_ns = block.t_ns[of_controller(block, one) & ~gone]
        before_ns, after_ns = own_ns[own_ns <= from_ns].max(initial=0), own_ns[own_ns >= to_ns].min(initial=1 << 62)
        fastest_ns = min(stream.period_ns or 0 for stream in cyclic)
        yield Cut(
            text=f"{one.name} from {(before_ns - healthy.start_ns) / 1e9:.1f} for {(after_ns - before_ns) / 1e9:.1f} s",
            loss=told,
            edges_hold=told is not None and _edges_hold(told, int(before_ns), int(after_ns), fastest_ns),
            silent_bus=n_more > 0,
        )


def _edges_hold(loss: Loss, before_ns: int, after_ns: int, fastest_ns: int) -> bool:
    """Tell whether a loss begins and ends within a period of the truth."""
    back_ns = after_ns if loss.back_ns is None else loss.back_ns
    return abs(loss.last_seen_ns - before_ns) <= fastest_ns and abs(back_ns - after_ns) <= fastest_ns


def started_losses(block: FrameBlock, from_s: float, to_s: float, *, with_claims: bool) -> Iterator[Loss]:
    """Give the losses at a crank or power cycle."""
    is_claim = ((block.flags & 1) != 0) & ((block.id >> 16 & 0xFF) == 0xEE)
    health = judged(block if with_claims else block.take(~is_claim))
    for incident in health.incidents:
        for loss in incident.losses if incident.kind in LOST else ():
            began_s = (loss.last_seen_ns - health.start_ns) / 1e9
            if from_s <= began_s <= to_s and loss.back_ns is not None and loss.back_ns - loss.last_seen_ns > 0.5e9:
                yield loss


def table(said: Sequence[tuple[float, bool]]) -> None:
    for low, high in pairwise(BINS):
        inside = [(p, truth) for p, truth in said if low <= p < high or p == high == 1.0]
        if inside:
            mean = sum(p for p, _ in inside) / len(inside)
            true = sum(truth for _, truth in inside)
            print(f"  {low:4.2f} to {high:4.2f}: {len(inside):4d} said, {mean:6.1%} on average, {true} had restarted")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cuts", type=int, default=200, help="in all")
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    files = sorted(path for pattern in CUT_FROM for path in REAL.glob(f"{pattern}.log.gz"))
    blocks = {path: FrameBlock.concat(list(open_capture([path]).blocks())) for path in files}
    made = all_cuts(blocks, arguments.cuts, rng)
    cuts = [cut.loss for cut in made]
    n_lost = sum(loss is None for loss in cuts)
    n_edges, n_silent = sum(cut.edges_hold for cut in made), sum(cut.silent_bus for cut in made)
    print(f"{len(cuts)} cuts, {n_lost} not found; both edges right: {n_edges}; told as a silent bus: {n_silent}")
    for cut in made:
        if not cut.edges_hold:
            print(f"  {'not found' if cut.loss is None else 'not these edges'}: {cut.text}")
    kept = [(loss.p_restarted, False) for loss in cuts if loss is not None and loss.p_restarted is not None]
    print(f"kept running: {sum(p > 0.5 for p, _ in kept)} of {len(kept)} told as restarted above 50 %")
    for loss in cuts:
        if loss is not None and (loss.p_restarted or 0.0) > 0.5:
            lasted_s = ((loss.back_ns or loss.last_seen_ns) - loss.last_seen_ns) / 1e9
            print(f"  {loss.controller}, away for {lasted_s:.1f} s, {loss.p_restarted:.2f}: {'; '.join(loss.evidence)}")
    for with_claims in (True, False):
        starts = [
            loss
            for pattern, (from_s, to_s) in POWER_LOST.items()
            for path in sorted(REAL.glob(f"{pattern}.log.gz"))
            if "5s" not in path.name  # there the recorder stalled
            for loss in started_losses(blocks[path], from_s, to_s, with_claims=with_claims)
        ]
        known = [(loss.p_restarted, True) for loss in starts if loss.p_restarted is not None]
        words = "with claims" if with_claims else "without claims"
        print(f"{words}: {sum(p > 0.5 for p, _ in known)} of {len(starts)} starts told as restarted above 50 %")
        table([*kept, *known])


if __name__ == "__main__":
    main()
