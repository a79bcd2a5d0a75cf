"""Damage every kind of input by the hundred thousand, and see that each is used or refused in a sentence.

    python -m benchmarks.campaign [--inputs 10000] [--from-seed 0] [--state FILE] [--only KIND] [--workers N]
                                 [--minutes M]

Each input is a healthy one with one to three kinds of damage (flips, cuts, pieces gone, doubled, zeroed, tokens; or
other numbers, words, lines and rows within what stays a file of its kind), run through the whole program in a worker:
no traceback, no death, no more than 1 GB, no more than 20 s of processor time, no output where the input was refused.
A scenario may ask for two million frames at most here, for twenty elsewhere: what was asked for takes its time.
With a state file it goes on where it was stopped, with a larger number of inputs too; `--minutes` has it stop by
itself, so that a long run is made in pieces; `--from-seed` leaves out what an earlier one did. Exit status 1 where
anything was wrong. A line such as `journal 1234: traceback: ...` names the input:
`--only journal --from-seed 1234 --inputs 1`.
"""

import argparse
import json
import math
import multiprocessing
import os
import sys
import time
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from benchmarks.campaign.kinds import KINDS
from benchmarks.campaign.worker import run_block

BLOCK = 250
_BLOCKS_A_PROCESS = 16
COLUMNS = ("used", "refused", "traceback", "death", "memory", "over time", "partial output", "escape", "exit")

Block = tuple[str, int, int]
"""Kind, first seed, how many."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--state", type=Path)
    parser.add_argument("--only", action="append", choices=sorted(KINDS), default=[])
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin nothing after so long")
    arguments = parser.parse_args()
    tally = _Tally(arguments.state)
    blocks = [block for block in _blocks(arguments.inputs, arguments.from_seed, arguments.only) if not tally.has(block)]
    began_s = time.perf_counter()
    until_s = began_s + 60.0 * arguments.minutes
    while blocks and time.perf_counter() < until_s:
        for suspect in _run_all(blocks, arguments.workers, tally, until_s):
            _run_alone(suspect, tally)
    tally.print(time.perf_counter() - began_s)
    return 1 if tally.wrong else 0


def _pool(workers: int) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, max_tasks_per_child=_BLOCKS_A_PROCESS)


def _run_all(blocks: list[Block], workers: int, tally: "_Tally", until_s: float) -> list[Block]:
    """Run blocks until there are no more, it is late, or a process dies; give those of which one killed it."""
    running: dict[Future[tuple[Counter[str], list[str]]], Block] = {}
    with _pool(workers) as pool:
        try:
            while True:
                while blocks and len(running) < 2 * workers and time.perf_counter() < until_s:
                    kind, first, n = blocks.pop()
                    running[pool.submit(run_block, kind, range(first, first + n))] = (kind, first, n)
                if not running:
                    break
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    counts, lines = future.result()
                    tally.take(running.pop(future), counts, lines)
        except BrokenProcessPool:
            return list(running.values())
    return []


def _run_alone(block: Block, tally: "_Tally") -> None:
    """Run a block in a process of its own; one that dies is halved until the input is found that kills it."""
    kind, first, n = block
    try:
        with _pool(1) as pool:
            counts, lines = pool.submit(run_block, kind, range(first, first + n)).result()
    except BrokenProcessPool:
        if n == 1:
            tally.take(block, Counter(death=1), [f"{kind} {first}: death"])
            return
        _run_alone((kind, first, n // 2), tally)
        _run_alone((kind, first + n // 2, n - n // 2), tally)
    else:
        tally.take(block, counts, lines)


def _blocks(n_inputs: int, from_seed: int, only: list[str]) -> list[Block]:
    """Give blocks of seeds of every kind by its share, mixed."""
    kinds = only or list(KINDS)
    shares = {kind: KINDS[kind].share for kind in kinds}
    blocks: list[Block] = []
    for kind in kinds:
        n_wanted = max(1, round(n_inputs * shares[kind] / sum(shares.values())))
        blocks += [(kind, from_seed + k, min(BLOCK, n_wanted - k)) for k in range(0, n_wanted, BLOCK)]
    return sorted(blocks, key=lambda block: -block[1])


class _Tally:
    """How the inputs ended, kept in a file as they do, where one is given."""

    def __init__(self, path: Path | None) -> None:
        self.wrong: list[str] = []
        self._path = path
        self._ended: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
        self._done: set[tuple[str, int]] = set()
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                row = json.loads(line)
                self._ended[row["kind"]].update(row["ended"])
                self.wrong += row["wrong"]
                self._done.update((row["kind"], seed) for seed in range(row["first"], row["first"] + row["n"]))

    def has(self, block: Block) -> bool:
        kind, first, n = block
        return all((kind, seed) in self._done for seed in range(first, first + n))

    def take(self, block: Block, counts: Counter[str], lines: list[str]) -> None:
        kind, first, n = block
        self._ended[kind].update(counts)
        self.wrong += lines
        for line in lines:
            print(line, flush=True)
        if self._path is not None:
            row = {"kind": kind, "first": first, "n": n, "ended": dict(counts), "wrong": lines}
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")

    def print(self, took_s: float) -> None:
        print(f"{'':18}" + "".join(f"{name:>15}" for name in COLUMNS))
        for kind, counts in self._ended.items():
            if counts:
                print(f"{kind:18}" + "".join(f"{counts[name]:15,}" for name in COLUMNS))
        n = sum(sum(counts.values()) for counts in self._ended.values())
        print(f"{n:,} inputs, {len(self.wrong):,} wrong, this run {took_s / 3600:.2f} h")


if __name__ == "__main__":
    sys.exit(main())
