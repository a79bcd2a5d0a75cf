"""Healthy traffic of a second law: sessions of people, events with a least distance, rates that follow a mode, retries.

Nothing here shares a formula with `tests.truth.by_chance.on_demand`: durations are lognormal, Weibull or gamma there
where they are exponential or Pareto here, whoever looks may have begun before the recording, and closes for good.

* a session: somebody opens one to four streams of a controller at once, each with a period and a jitter of its own, and
  closes them; open and closed times are lognormal, and the recording begins anywhere in them;
* events: Weibull distances with a shape below one (they cluster), no sooner than a minimum repeat time;
* a mode: ten times a second in one, once a second in the other, gamma times in between; it never pauses;
* bursts of mixed lengths: mostly one to three frames, now and then some hundred, each burst with one of two distances;
* retries: a frame that is repeated every 50 ms until somebody answers, a geometric number of times, then a long rest.

Whether a controller has a rhythm of its own beside them is by chance too; the machine is on all the time.
"""

from collections.abc import Callable

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.capture.frames import FrameBlock
from tests.truth.by_chance.sent_frames import frames_of

__all__ = ["session_traffic"]

_FIRST_ADDRESS = 0x61


def _session(rng: np.random.Generator, until_s: float) -> list[Float64Array]:
    """Give the times of streams that are opened and closed together."""
    open_s, closed_s = float(rng.uniform(5.0, 60.0)), float(rng.uniform(5.0, 90.0))
    edges: list[tuple[float, float]] = []
    is_open = bool(rng.random() < open_s / (open_s + closed_s))
    # somewhere within the stretch that lasts as the recording begins
    at_s = -float(rng.uniform()) * (open_s if is_open else closed_s)
    while at_s < until_s:
        lasts_s = (open_s if is_open else closed_s) * float(rng.lognormal(-0.5, 1.0))
        if is_open:
            edges.append((at_s, at_s + lasts_s))
        at_s += lasts_s
        is_open = not is_open
    streams = []
    for _ in range(int(rng.integers(1, 5))):
        period_s = float(rng.choice((0.05, 0.1, 0.2, 0.5, 1.0)))
        jitter = float(rng.uniform(0.0, 0.1))
        times = [np.arange(a + float(rng.uniform(0.0, 0.05)), b, period_s) for a, b in edges]
        ticks = np.concatenate([*times, np.zeros(0)])
        streams.append(ticks + rng.uniform(0.0, jitter * period_s, len(ticks)))
    return streams


def _events(rng: np.random.Generator, until_s: float) -> list[Float64Array]:
    shape, scale_s = float(rng.uniform(0.4, 0.8)), float(rng.uniform(0.2, 5.0))
    least_s = float(rng.choice((0.05, 0.1, 0.25)))
    n = int(3.0 * until_s / scale_s) + 100
    return [np.cumsum(np.maximum(scale_s * rng.weibull(shape, n), least_s * (1.0 + rng.uniform(0.0, 0.05, n))))]


def _mode(rng: np.random.Generator, until_s: float) -> list[Float64Array]:
    times: list[float] = []
    at_s, quick = float(rng.uniform(0.0, 0.1)), bool(rng.random() < 0.5)
    while at_s < until_s:
        upto_s = at_s + float(rng.gamma(2.0, 15.0 if quick else 25.0))
        period_s = 0.1 if quick else 1.0
        n = max(1, int((upto_s - at_s) / period_s))
        times += (at_s + period_s * np.arange(n)).tolist()
        at_s += n * period_s
        quick = not quick
    return [np.array(times) + rng.uniform(0.0, 0.004, len(times))]


def _bursts(rng: np.random.Generator, until_s: float) -> list[Float64Array]:
    apart_s = rng.choice((0.01, 0.02, 0.05, 0.1), 2, replace=False)
    rest_s = float(rng.uniform(0.5, 8.0))
    times: list[Float64Array] = []
    at_s = float(rng.uniform(0.0, rest_s))
    while at_s < until_s:
        n = int(rng.integers(1, 4)) if rng.random() < 0.7 else int(rng.integers(50, 400))
        ticks = at_s + float(rng.choice(apart_s)) * np.arange(n)
        times.append(ticks + rng.uniform(0.0, 5e-4, n))
        at_s = float(ticks[-1]) + rest_s * float(rng.gamma(1.5, 1.0 / 1.5)) + 0.1
    return [np.concatenate(times)]


def _retries(rng: np.random.Generator, until_s: float) -> list[Float64Array]:
    rest_s, answered = float(rng.uniform(5.0, 40.0)), float(rng.uniform(0.03, 0.4))
    times: list[Float64Array] = []
    at_s = float(rng.uniform(0.0, rest_s))
    while at_s < until_s:
        n = int(rng.geometric(answered))
        times.append(at_s + 0.05 * np.arange(n) + rng.uniform(0.0, 0.002, n))
        at_s += 0.05 * n + rest_s * float(rng.lognormal(-0.3, 0.8))
    return [np.concatenate([*times, np.zeros(0)])]


_LAWS: dict[str, Callable[[np.random.Generator, float], list[Float64Array]]] = {
    "session": _session,
    "events": _events,
    "mode": _mode,
    "mixed bursts": _bursts,
    "retries": _retries,
}


def session_traffic(seed: int, until_s: float = 300.0, *, extended: bool = True) -> tuple[FrameBlock, dict[int, str]]:
    """Give healthy traffic of three to seven controllers, and the law of each identifier ("rhythm" for the cyclic).

    Parameters
    ----------
    seed : decides everything
    until_s : length
    extended : 29-bit identifiers with source addresses; else 11-bit ones that say nothing of their senders
    """
    rng = np.random.default_rng([seed, 1620])
    sent: dict[int, Float64Array] = {}
    law_of: dict[int, str] = {}
    free_11 = iter(rng.permutation(np.arange(0x100, 0x580)).tolist())

    def add(address: int, law: str, times: Float64Array) -> None:
        group = sum(identifier & 0xFF == address for identifier in sent) if extended else 0
        identifier = 0x18FF0000 | group << 8 | address if extended else int(next(free_11))
        sent[identifier] = np.sort(times)
        law_of[identifier] = law

    n_controllers = int(rng.integers(3, 8))
    for k in range(n_controllers):
        address = _FIRST_ADDRESS + k
        # most have a rhythm of their own; the others send on demand alone
        if rng.random() < 0.8:
            clock = 1.0 + float(rng.normal(0.0, 5e-5))
            for _ in range(int(rng.integers(1, 5))):
                period_s = float(rng.choice((0.01, 0.025, 0.1, 0.2, 0.5, 1.0)))
                ticks = np.arange(float(rng.uniform(0.0, period_s)), until_s, period_s * clock)
                add(address, "rhythm", ticks + np.abs(rng.normal(0.0, 0.01 * period_s, len(ticks))))
        for _ in range(int(rng.integers(1, 4))):
            law = str(rng.choice(list(_LAWS)))
            for times in _LAWS[law](rng, until_s):
                add(address, law, times)
    block = frames_of(sent, until_s, rng, extended=extended)
    return block, law_of
