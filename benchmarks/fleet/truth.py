"""Does what `busdoc fleet` says of a thousand captures agree with what is true of them?

    python -m benchmarks.fleet.truth FOLDER [--seed 1000] [--captures 25] [--length 600] [--workers 2] [--for 200]

Forty machines of two kinds with 25 captures each: three bad machines (one feed of each drops six times as often), a
feed of one kind that is four times as weak on all of them, wear, and a campaign on every second machine that leaves
0.4 of the dropouts. Among the captures a corrupt one, an empty one, one that was cut off in its compressed stream, one
whose map is another machine's, and a huge one of twenty hours. All of it goes through the command itself; then its
tables, its page and what it printed are held against what was drawn.

The folder keeps captures and results. With `--for` the run is killed after so many seconds, and the next call goes on
from there. Exit status 0: all agrees, 1: something does not, 3: not all captures are judged yet.
"""

import argparse
import gzip
import html
import re
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.truth.fleet_by_chance import CHANGED, FleetPlan, TrueFleet, draw_fleet, write_fleet
from tests.truth.fleet_captures import KINDS, Drop, capture_text

_PLAN = FleetPlan(per_hour=2.0, bad=3, times=6.0, weak=4.0, growth=1.6, helps=0.4)
_HUGE_H = 20
_HUGE_DROPS = (Drop(at_s=700.0, controllers=("broom",)), Drop(at_s=2500.0, controllers=KINDS[0].below("fuse-3")))
_REST_S, _EDGE_S = 15.0, 8.0
"""Of the drawn captures: between two dropouts, and at both ends."""
_FIRST_CHANGED_H = 24.0 * 180.0
_MISSED = 0.03
"""Share of true dropouts that may be missed or told twice: those that follow one another too closely, say."""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--captures", type=int, default=25, help="of each machine")
    parser.add_argument("--length", type=float, default=600.0, help="of a capture, s")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--for", type=float, default=None, dest="for_s", help="end the run after so many seconds")
    arguments = parser.parse_args()
    fleet = draw_fleet(replace(_PLAN, captures=arguments.captures, length_s=arguments.length), arguments.seed)
    park, out = arguments.folder / "park", arguments.folder / "out"
    if not (arguments.folder / "drawn").exists():
        began_s = time.perf_counter()
        _spoil(write_fleet(fleet, park, seed=arguments.seed))
        (arguments.folder / "drawn").touch()
        print(f"{len(fleet.captures):,} captures drawn in {time.perf_counter() - began_s:.0f} s", flush=True)
    began_s = time.perf_counter()
    words = ["fleet", str(park / "park.csv"), "-o", str(out), "--workers", str(arguments.workers)]
    status, told = _run(words, arguments.for_s)
    print(f"the command took {time.perf_counter() - began_s:.0f} s, exit status {status}", flush=True)
    if status != 1:
        print(told[-2000:])
        return 3 if status < 0 else 1
    (arguments.folder / "told.txt").write_text(told, encoding="utf-8")
    wrong = 0
    for agrees, sentence in _held(fleet, out, told):
        wrong += not agrees
        print(f"{'ok   ' if agrees else 'WRONG'} {sentence}", flush=True)
    return 1 if wrong else 0


def _run(words: list[str], for_s: float | None) -> tuple[int, str]:
    running = subprocess.Popen(
        [sys.executable, "-m", "busdoc", *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        told, _ = running.communicate(timeout=for_s)
    except subprocess.TimeoutExpired:
        running.terminate()  # in the background of a shell Ctrl-C would be ignored
        told, _ = running.communicate()
    return running.returncode, told


def _spoil(manifest: Path) -> None:
    """Put the odd ones among the rest."""
    park = manifest.parent
    sound = (park / "SW-02" / "000.log").read_bytes()
    (park / "empty.log").write_bytes(b"")
    (park / "corrupt.log.gz").write_bytes(b"\x1f\x8b\x08\x00" + bytes(range(256)))
    (park / "cut.log.gz").write_bytes(gzip.compress(sound)[:20_000])
    hour = capture_text(KINDS[0], 3600.0, _HUGE_DROPS, seed=77)
    with (park / "huge.log").open("w", encoding="ascii", newline="\n") as file:
        lines = [line.split(" ", 1) for line in hour.splitlines(keepends=True)]
        times = np.array([float(at[1:-1]) for at, _ in lines])
        for k in range(_HUGE_H):
            for at, (_, rest) in zip((times + 3600.0 * k).tolist(), lines, strict=True):
                file.write(f"({at:.6f}) {rest}")
    with manifest.open("a", encoding="utf-8", newline="") as file:
        for name, machine, map_name in (
            ("empty.log", "SW-01", "Street sweeper"),
            ("corrupt.log.gz", "SW-02", "Street sweeper"),
            ("cut.log.gz", "SW-03", "Street sweeper"),
            ("SC-01/000.log", "SC-01", "Street sweeper"),
            ("huge.log", "SW-99", "Street sweeper"),
        ):
            file.write(f"{machine},{name},,{map_name}.toml,,,,\n")


def _held(fleet: TrueFleet, out: Path, told: str) -> Iterator[tuple[bool, str]]:
    """Yield whether each thing that was said agrees with what is true, and a sentence with the figures."""
    captures = pd.read_parquet(out / "tables" / "captures").astype({"machine": str})
    dropouts = pd.read_parquet(out / "tables" / "dropouts").astype({"machine": str})
    captures["file"] = [Path(str(address)).name for address in captures["address"]]
    page = _text_of((out / "fleet.html").read_text("utf-8"))
    terminal = " ".join(told.split())
    yield from _odd(captures, dropouts, page)
    yield from _counted(fleet, captures, dropouts)
    for name, text in (("terminal", terminal), ("page", page)):
        yield from _named(fleet, name, text)
        yield from _in_time(fleet, name, text)
    yield from _believed(fleet, captures, page)


def _odd(captures: pd.DataFrame, dropouts: pd.DataFrame, page: str) -> Iterator[tuple[bool, str]]:
    sentence = captures.set_index("file")["sentence"]
    could_not = sorted(captures.loc[captures["outcome"] != "judged", "file"])
    yield could_not == ["corrupt.log.gz", "empty.log"], f"could not be judged: {could_not}"
    for file in could_not:
        yield "expected" in sentence[file] and sentence[file][:60] in page, f"its sentence: {sentence[file]}"
    cut = captures[captures["file"] == "cut.log.gz"].iloc[0]
    warned = str(cut["warnings"])
    yield (
        cut["frames"] > 1000 and "cut off" in warned,
        f"cut.log.gz: {cut['frames']:.0f} frames; {warned}",
    )
    wrong_map = captures[(captures["machine"] == "SC-01") & (captures["file"] == "000.log")].iloc[-1]
    yield bool(wrong_map["doubted"]), f"another machine's map: doubted {wrong_map['doubted']}, {wrong_map['warnings']}"
    huge = captures[captures["file"] == "huge.log"].iloc[0]
    n = int((dropouts["capture"] == huge["capture"]).sum())
    expected = _HUGE_H * len(_HUGE_DROPS)
    yield n == expected, f"huge: {huge['frames']:,.0f} frames, {n} dropouts of {expected}"


def _counted(fleet: TrueFleet, captures: pd.DataFrame, dropouts: pd.DataFrame) -> Iterator[tuple[bool, str]]:
    """Hold every dropout that was counted against those drawn, by its capture, its time and who fell."""
    zero_s = captures.groupby("capture")["start_s"].first()
    found = {
        number: [(row.onset_s - zero_s[number], str(row.controllers), str(row.part)) for row in rows.itertuples()]
        for number, rows in dropouts.groupby("capture")
    }
    n: Counter[str] = Counter()
    for number, one in enumerate(fleet.captures, start=1):
        left = list(found.get(number, []))
        for drop in one.drops:
            n["true"] += 1
            near = [row for row in left if abs(row[0] - drop.at_s) < 3.0]
            if not near:
                n["missed"] += 1
                continue
            left.remove(near[0])
            n["who fell wrong"] += set(near[0][1].split("; ")) != set(drop.controllers)
            below = one.kind.below(near[0][2]) if near[0][2] != "None" else ()
            n["part wrong"] += bool(below) and set(below) != set(drop.controllers)
            n["no part"] += not below
        n["invented"] += len(left)
    yield (
        n["missed"] + n["invented"] <= _MISSED * n["true"],
        (
            f"dropouts: {n['true']} true, {n['missed']} missed, {n['invented']} invented, "
            f"{n['who fell wrong']} with others named, {n['part wrong']} of another part, {n['no part']} of no part"
        ),
    )
    yield (
        n["part wrong"] + n["who fell wrong"] + n["no part"] <= _MISSED * n["true"],
        "and of the rest the part is right",
    )
    drawn = captures[captures["capture"] <= len(fleet.captures)]
    share = drawn["watched_h"].sum() / (len(fleet.captures) * fleet.plan.length_s / 3600.0)
    yield 0.9 < share <= 1.0, f"watched hours are {100 * share:.1f} % of those recorded"


def _named(fleet: TrueFleet, name: str, text: str) -> Iterator[tuple[bool, str]]:
    """Hold who is called worse against who is, as the headline has it."""
    match = re.search(r"drops? controllers more often than (?:its|their) kind: (.*?)\.", text)
    called = set(re.findall(r"S[WC]-\d\d", match[1])) if match else set()
    false = sorted(one for one in called if one not in fleet.rate or fleet.rate[one] <= _mean_rate(fleet, one))
    first = re.findall(r"S[WC]-\d\d", match[1])[: len(fleet.bad)] if match else []
    yield (
        set(first) == set(fleet.bad),
        f"{name}: bad machines {sorted(fleet.bad)}, called so, in this order, {match and match[1]}",
    )
    yield not false, f"{name}: called so with a true rate that is not above its kind's: {false or 'none'}"
    many = re.search(r"More often than its fellows on many machines: (.*?)\.", text)
    yield many is not None and "fuse-2 (Street sweeper)" in many[1], f"{name}: weak on many: {many and many[1]}"


def _mean_rate(fleet: TrueFleet, machine: str) -> float:
    return float(np.mean([rate for name, rate in fleet.rate.items() if name[:2] == machine[:2]]))


def _in_time(fleet: TrueFleet, name: str, text: str) -> Iterator[tuple[bool, str]]:
    growth = [tuple(map(float, one)) for one in re.findall(r"growth ([\d.]+) \(([\d.]+) to ([\d.]+)\)", text)]
    covers = sum(low <= fleet.plan.growth <= high for _, low, high in growth)
    worse = text.count("getting worse with age")
    yield (
        bool(growth) and covers == len(growth),
        f"{name}: growth {growth}, true {fleet.plan.growth}; {worse} times worse",
    )
    number = r"([\d.]+) times as many an hour \(([\d.]+) to ([\d.]+|any number)\)"
    for what, pattern, changed in (
        ("changed", rf"After the change of each machine there were fewer: {number}", True),
        ("not changed", rf"not changed: {number}", False),
    ):
        told = dict.fromkeys(re.findall(pattern, text))
        true = [_true_change(fleet, kind.name, changed) for kind in KINDS]
        held = [any(float(low) <= one <= float(high) for _, low, high in told) for one in true]
        shown = ", ".join(f"{one:.2f}" for one in true)
        yield len(told) == len(KINDS) and all(held), f"{name}: {what} {[' '.join(one) for one in told]}, true {shown}"


def _true_change(fleet: TrueFleet, kind: str, changed: bool) -> float:
    """Give the true rate after over that before, wear included, of machines that were changed, or were not."""
    before: list[float] = []
    after: list[float] = []
    for one in fleet.captures:
        if one.kind.name == kind and (one.machine in fleet.changed) is changed:
            wear = fleet.plan.growth * (one.hours / 2500.0) ** (fleet.plan.growth - 1.0)
            weight = 1.0 + (fleet.plan.times - 1.0) * (one.machine in fleet.bad)
            is_after = one.day * 24.0 > _FIRST_CHANGED_H
            (after if is_after else before).append(weight * wear * (fleet.plan.helps if changed and is_after else 1.0))
    return float(np.mean(after) / np.mean(before))


def _believed(fleet: TrueFleet, captures: pd.DataFrame, page: str) -> Iterator[tuple[bool, str]]:
    """Hold the interval of what is believed of each machine, as the page's table has it, against its true rate."""
    rng = np.random.default_rng(0)
    drawn = captures[captures["capture"] <= len(fleet.captures)]
    watched = drawn.groupby("machine")["watched_h"].sum()
    n = 0
    for machine, rate in fleet.rate.items():
        row = re.search(rf"\b{machine} (\d+) ([\d.,]+) ([\d,]+) ([\d.,]+) \(([\d.,]+) to ([\d.,]+)\)", page)
        if row is None:
            yield False, f"page: no line for {machine}"
            continue
        low, high = (float(row[k].replace(",", "")) for k in (5, 6))
        length_h = fleet.plan.length_s / 3600.0
        kept = _kept_share(rng, rate * length_h, fleet.plan.length_s)
        true = 100.0 * rate * kept * fleet.plan.captures * length_h / watched[machine]
        n += low <= true <= high
    least = 0.95 * len(fleet.rate) - 2.0 * np.sqrt(0.05 * 0.95 * len(fleet.rate))
    yield (
        n >= least,
        f"page: the interval of what is believed covers the true rate of {n} of {len(fleet.rate)} machines",
    )


def _kept_share(rng: np.random.Generator, mean: float, length_s: float) -> float:
    """Give the share of dropouts that are left where none comes within so many seconds of one drawn before it."""
    n_drawn = n_kept = 0
    for n in rng.poisson(mean, 4000).tolist():
        kept: list[float] = []
        for at_s in rng.uniform(_EDGE_S, length_s - _EDGE_S, n).tolist():
            if all(abs(at_s - other) > _REST_S for other in kept):
                kept.append(at_s)
        n_drawn += n
        n_kept += len(kept)
    return n_kept / max(n_drawn, 1)


def _text_of(page: str) -> str:
    """Take the words out of a page."""
    body = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


if __name__ == "__main__":
    assert CHANGED == "2026-12-06"
    sys.exit(main())
