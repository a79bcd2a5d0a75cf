"""Holds resync against simulated power-ups with known truth.

Each session switches a made-up machine on ten times in health, from which `busdoc baseline` learns its limits, and once
more with something odd about it. The last power-up alone is then judged.

    python -m benchmarks.resync_truth [SESSIONS [FIRST_SEED]]
"""

import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action
from busdoc.analysis.case import Case
from busdoc.analysis.resync import Resync, judge_resync
from busdoc.analysis.watches import Watches
from busdoc.arrays import Int64Array
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import learn_baseline
from busdoc.resync_check.baseline_text import merge_into
from busdoc.resync_check.records import ControllerReturn, ReturnFault, ReturnVerdict
from busdoc.simulation.run import Run
from tests.truth.by_chance.machine_text import machine_text
from tests.truth.by_chance.power_up import Oddity, PowerUpSession, random_power_ups

__all__ = ["Score", "judge_session"]

_NS = 1_000_000_000
_FAULT = {
    Oddity.SLOW: ReturnFault.SLOW,
    Oddity.MISSING: ReturnFault.MISSING,
    Oddity.RESTARTS_TWICE: ReturnFault.RESTARTED,
    Oddity.LATE_STREAM: ReturnFault.LATE_STREAM,
    Oddity.EXCHANGED: ReturnFault.EXCHANGED,
    Oddity.MOVED: ReturnFault.MOVED,
    Oddity.WAITS: ReturnFault.SLOW,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one session was judged."""

    seed: int
    oddity: str
    midway: bool
    found: bool
    """The power-up was found, and nothing else."""
    n_verdicts: int
    n_right: int
    reason: bool
    n_firsts: int
    n_firsts_right: int
    n_steady: int
    n_steady_right: int
    n_healthy: int
    n_false: int
    """Healthy controllers at the last power-up, and those that failed for being slow."""
    wrong: tuple[str, ...]


def judge_session(seed: int, oddity: Oddity, *, midway: bool = False) -> Score:
    """Learn from the healthy power-ups of a session and judge its last one.

    Parameters
    ----------
    midway : the recording that is judged begins just after the first controller has spoken
    """
    session = random_power_ups(seed, oddity)
    run = session.run
    last_up_ns = run.truth.power_ups[session.odd_power_up].time_ns
    block = FrameBlock.concat(run.blocks)
    cut = int(np.searchsorted(block.t_ns, last_up_ns - 3 * _NS))
    machine = _learn(run.machine, block.slice(0, cut), run.actions)
    firsts = sorted(t for t in run.truth.power_ups[session.odd_power_up].first_ns.values() if t is not None)
    from_ns = firsts[0] + _NS // 20 if midway else last_up_ns - 12 * _NS
    judged = _judge(machine, block.slice(int(np.searchsorted(block.t_ns, from_ns)), len(block)))
    return _score(session, seed, midway, block, judged)


def _learn(machine: Machine, block: FrameBlock, actions: tuple[Action, ...]) -> Machine:
    text = machine_text(machine)
    known = machine_from_text(text, "map")
    seen = _judge(known, block, [a for a in actions if a.time_ns < int(block.t_ns[-1])])
    return machine_from_text(merge_into(text, learn_baseline(seen.health, seen.power_ups)).text, "map")


def _judge(machine: Machine, block: FrameBlock, actions: Sequence[Action] = ()) -> Resync:
    channels = ChannelTable()
    for number in sorted(set(block.channel.tolist())):
        channels.number(f"can{number}")
    case = Case(machine=machine, channels=channels)
    watches = Watches(case)
    watches.feed(block)
    return judge_resync(case, watches, actions)


def _score(session: PowerUpSession, seed: int, midway: bool, block: FrameBlock, judged: Resync) -> Score:
    truth = session.run.truth.power_ups[session.odd_power_up]
    wrong: list[str] = []
    found = len(judged.power_ups) == 1
    if not found:
        wrong.append(f"{len(judged.power_ups)} power-ups found")
    returns = judged.power_ups[0] if judged.power_ups else None
    counts: Counter[str] = Counter()
    reason = found
    for name, first_ns in truth.first_ns.items():
        one = next((c for c in returns.controllers if c.name == name), None) if returns is not None else None
        odd = name in (session.controller, session.waits_for)
        if one is None:
            counts["verdicts"] += 1
            wrong.append(f"{name}: not judged")
            continue
        right = one.verdict is _expected(session, name, midway, judged, one)
        counts["verdicts"] += 1
        counts["right"] += right
        if not right:
            wrong.append(f"{name} ({'odd' if odd else 'healthy'}): {one.verdict}: {'; '.join(one.reasons)}")
        if not odd:
            counts["healthy"] += 1
            counts["false"] += one.verdict is ReturnVerdict.FAIL
        elif not midway and not _reason_is_right(session, name, one):
            reason = False
            wrong.append(f"{name}: reasons {[str(f) for f in one.faults]} waited for {one.waited_for}")
        if not midway:
            _score_times(session, name, first_ns, block, one, counts, wrong)
    if midway and judged.power_ups and judged.power_ups[0].power_up.whole:
        reason = False
        wrong.append("the start in the middle was not told")
    return Score(
        seed=seed,
        oddity=str(session.oddity),
        midway=midway,
        found=found,
        n_verdicts=counts["verdicts"],
        n_right=counts["right"],
        reason=reason,
        n_firsts=counts["firsts"],
        n_firsts_right=counts["firsts right"],
        n_steady=counts["steady"],
        n_steady_right=counts["steady right"],
        n_healthy=counts["healthy"],
        n_false=counts["false"],
        wrong=tuple(wrong),
    )


def _expected(session: PowerUpSession, name: str, midway: bool, judged: Resync, one: ControllerReturn) -> ReturnVerdict:
    if midway:
        return ReturnVerdict.NO_LIMIT
    odd = name == session.controller or name == session.waits_for
    return ReturnVerdict.FAIL if odd else ReturnVerdict.PASS


def _reason_is_right(session: PowerUpSession, name: str, one: ControllerReturn) -> bool:
    if name == session.waits_for:
        return ReturnFault.SLOW in one.faults and one.waited_for is None
    if session.oddity is Oddity.WAITS and one.waited_for != session.waits_for:
        return False
    return _FAULT[session.oddity] in one.faults and (
        session.oddity in (Oddity.RESTARTS_TWICE,) or set(one.faults) == {_FAULT[session.oddity]}
    )


def _score_times(
    session: PowerUpSession,
    name: str,
    first_ns: int | None,
    block: FrameBlock,
    one: ControllerReturn,
    counts: Counter[str],
    wrong: list[str],
) -> None:
    """Compare first frame and being in step with the frames themselves, by the simulator's own list of streams."""
    restarted = session.oddity is Oddity.RESTARTS_TWICE and name == session.controller
    period_ns = session.run.truth.slowest_ns[name]
    counts["firsts"] += 1
    if first_ns is None or one.first_ns is None:
        right = first_ns is one.first_ns
    else:
        right = abs(first_ns - one.first_ns) <= session.run.truth.fastest_ns[name]
    counts["firsts right"] += right
    if not right:
        wrong.append(f"{name}: first frame {one.first_ns} instead of {first_ns}")
    if first_ns is None or restarted:
        return
    steady_ns = max(_second(session.run, block, name, first_ns))
    counts["steady"] += 1
    right = one.steady_ns is not None and abs(steady_ns - one.steady_ns) <= period_ns
    counts["steady right"] += right
    if not right:
        off = None if one.steady_ns is None else (one.steady_ns - steady_ns) / _NS
        wrong.append(f"{name}: in step off by {off} s")


def _second(run: Run, block: FrameBlock, name: str, first_ns: int) -> list[int]:
    """Give the second frame of each of a controller's streams since its first frame."""
    since = block.slice(int(np.searchsorted(block.t_ns, first_ns)), len(block))
    found = []
    for stream in run.streams:
        if stream.controller != name or (stream.window is not None and stream.window[1] != np.inf):
            continue
        mine: Int64Array = since.t_ns[
            (since.id == stream.id)
            & (((since.flags & FrameFlag.EXTENDED) != 0) == stream.extended)
            & ((since.flags & FrameFlag.ERROR) == 0)
        ]
        if not stream.extended and stream.id > 0x700:  # the boot-up carries the heartbeat's identifier
            mine = mine[mine > first_ns]
        if len(mine) > 1:
            found.append(int(mine[1]))
    return found


def _one(task: tuple[int, Oddity, bool]) -> Score:
    return judge_session(task[0], task[1], midway=task[2])


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 320
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    kinds = [(oddity, False) for oddity in Oddity] + [(Oddity.NONE, True)]
    tasks = [(first + k, *kinds[k % len(kinds)]) for k in range(n)]
    with ProcessPoolExecutor(max_workers=2) as pool:
        scores = list(pool.map(_one, tasks, chunksize=4))
    for oddity, midway in kinds:
        _report(
            f"{oddity}{', begun midway' if midway else ''}",
            [s for s in scores if s.oddity == oddity and s.midway is midway],
        )
    _report("all", scores)
    for score in scores:
        for text in score.wrong:
            print(f"  {score.oddity} {score.seed}{' midway' if score.midway else ''}: {text}")


def _report(title: str, scores: list[Score]) -> None:
    def share(part: int, whole: int) -> str:
        return f"{part}/{whole} ({part / whole:.1%})" if whole else "-"

    print(
        f"{title:24} power-up found {share(sum(s.found for s in scores), len(scores))}"
        f"  verdicts {share(sum(s.n_right for s in scores), sum(s.n_verdicts for s in scores))}"
        f"  reason {share(sum(s.reason for s in scores), len(scores))}"
        f"  first frames {share(sum(s.n_firsts_right for s in scores), sum(s.n_firsts for s in scores))}"
        f"  in step {share(sum(s.n_steady_right for s in scores), sum(s.n_steady for s in scores))}"
        f"  false fails {share(sum(s.n_false for s in scores), sum(s.n_healthy for s in scores))}"
    )


if __name__ == "__main__":
    main()
