"""Damage every kind of input by the hundred thousand, and see that each is used or refused in a sentence.

    python -m benchmarks.campaign [--inputs 10000] [--from-seed 0] [--state FILE] [--only KIND] [--workers N]

Each input is a healthy one with one to three kinds of damage (flips, cuts, pieces gone, doubled, zeroed, tokens), run
through the whole program in a worker process: no traceback, no death, no more than 1 GB, no more than 20 s of processor
time, no output where the input was refused. With a state file it goes on where it was stopped. Exit status 1 where
anything was wrong.
"""

import argparse
import json
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

BLOCK = 50
COLUMNS = ("used", "refused", "traceback", "death", "memory", "over time", "partial output", "escape", "exit")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--state", type=Path)
    parser.add_argument("--only", action="append", choices=sorted(KINDS), default=[])
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    arguments = parser.parse_args()
    ended, wrong, done = _state(arguments.state)
    blocks = [block for block in _blocks(arguments.inputs, arguments.from_seed, arguments.only) if block not in done]
    began_s = time.perf_counter()
    context = multiprocessing.get_context("spawn")
    while blocks:  # a pool that a dead worker broke is replaced, and the block that killed it is told
        with ProcessPoolExecutor(arguments.workers, mp_context=context, max_tasks_per_child=20) as pool:
            running: dict[Future[tuple[Counter[str], list[str]]], tuple[str, int]] = {}
            try:
                while blocks or running:
                    while blocks and len(running) < 2 * arguments.workers:
                        kind, first = blocks.pop()
                        running[pool.submit(run_block, kind, range(first, first + BLOCK))] = (kind, first)
                    for future in wait(running, return_when=FIRST_COMPLETED).done:
                        counts, lines = future.result()
                        key = running.pop(future)
                        _take(arguments.state, ended, wrong, key, counts, lines)
            except BrokenProcessPool:
                for key in running.values():
                    if len(running) == 1 or arguments.workers == 1:
                        _take(arguments.state, ended, wrong, key, Counter(death=1), [f"{key[0]} {key[1]}: death"])
                    else:  # one of them; each alone tells which
                        blocks.append(key)
                arguments.workers = 1
    _print(ended, wrong, time.perf_counter() - began_s)
    return 1 if wrong else 0


def _blocks(n_inputs: int, from_seed: int, only: list[str]) -> list[tuple[str, int]]:
    """Give blocks of seeds of every kind by its share, mixed."""
    kinds = only or list(KINDS)
    shares = {kind: KINDS[kind].share for kind in kinds}
    blocks = []
    for kind in kinds:
        n = round(n_inputs * shares[kind] / sum(shares.values()) / BLOCK)
        blocks += [(kind, from_seed + BLOCK * k) for k in range(max(1, n))]
    return sorted(blocks, key=lambda block: -block[1])


def _state(path: Path | None) -> tuple[dict[str, Counter[str]], list[str], set[tuple[str, int]]]:
    ended: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    wrong: list[str] = []
    done: set[tuple[str, int]] = set()
    if path is not None and path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            ended[row["kind"]].update(row["ended"])
            wrong += row["wrong"]
            done.add((row["kind"], row["first"]))
    return ended, wrong, done


def _take(
    path: Path | None,
    ended: dict[str, Counter[str]],
    wrong: list[str],
    key: tuple[str, int],
    counts: Counter[str],
    lines: list[str],
) -> None:
    ended[key[0]].update(counts)
    wrong += lines
    for line in lines:
        print(line, flush=True)
    if path is not None:
        row = {"kind": key[0], "first": key[1], "ended": dict(counts), "wrong": lines}
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def _print(ended: dict[str, Counter[str]], wrong: list[str], took_s: float) -> None:
    print(f"{'':18}" + "".join(f"{name:>15}" for name in COLUMNS))
    for kind, counts in ended.items():
        print(f"{kind:18}" + "".join(f"{counts[name]:15,}" for name in COLUMNS))
    n = sum(sum(counts.values()) for counts in ended.values())
    print(f"{n:,} inputs, {len(wrong):,} wrong, this run {took_s / 3600:.2f} h")


if __name__ == "__main__":
    sys.exit(main())
