"""Holds the post-mortem of intermittent dropouts against simulated hours with known cause.

    python -m benchmarks.intermittent_truth null [CAPTURES [FIRST]]    how often something is said that is not so
    python -m benchmarks.intermittent_truth power [CAPTURES [FIRST]]   how often the true cause is ranked first
    python -m benchmarks.intermittent_truth groups [CAPTURES [FIRST]]  how often the right feed or segment is on top

A `frames` at the end hands the frames over without files: the same but for writing and reading text.

Each capture is two hours of eight controllers with 216 signals, written as a `.log` with its database and map, and read
back by the whole post-mortem: real frames from end to end. `CAPTURES` is the number for each kind of cause, `FIRST` the
first seed.
"""

import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from benchmarks.share import share
from busdoc.intermittent.groups import Group
from tests.truth.by_chance.intermittent import TrueCause, intermittent_run
from tests.truth.intermittent_analysis import analyse, analyse_frames

_ENOUGH = 10
_HOURS = 2.0
_WORKERS = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What came of one capture."""

    cause: TrueCause
    seed: int
    n_dropouts: int
    n_due: int
    """Dropouts due to the cause; of two causes, to the one with fewer."""
    said: tuple[str, ...]
    """What was said to go before the dropouts, best first."""
    right: bool
    """The first of it is true; or, of a feed or segment, the likeliest cause of the largest group of several."""
    n_kinds: int
    n_signals: int


def judge(cause: TrueCause, seed: int, files: bool = True) -> Score:
    """Live through one, analyse it, and compare with the truth."""
    one = intermittent_run(cause, seed, hours=_HOURS, n_controllers=8)
    if files:
        with tempfile.TemporaryDirectory(prefix="busdoc-intermittent-") as name:
            result = analyse(one, Path(name))
    else:
        result = analyse_frames(one)
    found = result.intermittent
    said: tuple[str, ...] = () if found is None else tuple(finding.signal or finding.name for finding in found.findings)
    if one.part is not None:
        several: Sequence[Group] = () if found is None else [g for g in found.groups if len(g.controllers) > 1]
        right = bool(several) and several[0].likeliest.part == one.part
    else:
        right = bool(said) and said[0] in one.signals
    return Score(
        cause=cause,
        seed=seed,
        n_dropouts=len(one.dropouts_s),
        n_due=min(one.due, default=0),
        said=said,
        right=right,
        n_kinds=0 if found is None else found.tried.kinds,
        n_signals=0 if found is None else found.tried.signals,
    )


def _all(causes: Iterable[TrueCause], n: int, first: int, files: bool = True) -> Iterator[Score]:
    pairs = [(cause, seed) for seed in range(first, first + n) for cause in causes]
    with ProcessPoolExecutor(max_workers=_WORKERS) as pool:
        scores = pool.map(judge, [c for c, _ in pairs], [s for _, s in pairs], [files] * len(pairs))
        for score in scores:
            what = "; ".join(score.said[:2]) or "nothing said"
            print(
                f"{score.cause} {score.seed}: {score.n_dropouts} dropouts, {score.n_due} due; {what}"
                f"{' (right)' if score.right else ''}",
                flush=True,
            )
            yield score


def _null(n: int, first: int, files: bool) -> None:
    scores = list(_all((TrueCause.NOTHING,), n, first, files))
    looked = [score for score in scores if score.n_dropouts >= 3]
    false = [score for score in looked if score.said]
    for score in false:
        print(f"  seed {score.seed}: {len(score.said)} said, first: {score.said[0]}")
    print(f"captures with a false 'goes before': {share(len(false), len(looked))}")
    kinds, signals = (sum(of) / max(len(looked), 1) for of in _tried(looked))
    print(f"tried in each, on average: {kinds:.0f} kinds of events, {signals:.0f} signals")


def _tried(scores: Iterable[Score]) -> tuple[list[int], list[int]]:
    pairs = [(score.n_kinds, score.n_signals) for score in scores]
    return [kinds for kinds, _ in pairs], [signals for _, signals in pairs]


def _power(n: int, first: int, files: bool) -> None:
    causes = (TrueCause.EVENT, TrueCause.SAG, TrueCause.TEMPERATURE, TrueCause.MIXED)
    scores = [score for score in _all(causes, n, first, files) if score.n_due >= _ENOUGH]
    for cause in causes:
        own = [score for score in scores if score.cause is cause]
        print(f"{cause}: ranked first in {share(sum(score.right for score in own), len(own))}")
        for score in own:
            if not score.right:
                print(f"  seed {score.seed}: {score.n_due} due of {score.n_dropouts}; said {score.said[:2]}")


def _groups(n: int, first: int, files: bool) -> None:
    causes = (TrueCause.FEED, TrueCause.SEGMENT)
    scores = [score for score in _all(causes, n, first, files) if score.n_due >= 3]
    for cause in causes:
        own = [score for score in scores if score.cause is cause]
        print(f"{cause}: right part on top in {share(sum(score.right for score in own), len(own))}")
        for score in own:
            if not score.right:
                print(f"  seed {score.seed}: {score.n_due} showings")


def main() -> None:
    """Run one of the three, and print."""
    what = sys.argv[1] if len(sys.argv) > 1 else "null"
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    started_s = time.perf_counter()
    files = sys.argv[-1] != "frames"
    {"null": _null, "power": _power, "groups": _groups}[what](n, first, files)
    print(f"{time.perf_counter() - started_s:.0f} s")


if __name__ == "__main__":
    main()
