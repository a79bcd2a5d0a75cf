"""Healthy traffic of another law than our simulator's: pages that are open or not, bursts with heavy tails, answers.

Every controller but the last has one to three streams in a rhythm. Beside them, by chance, it sends as recorded
machines do and `busdoc.simulation` does not:

* a command while it is needed: bursts of 10 ms whose lengths are lognormal and whose pauses are Pareto (the heavy tails
  that on-off sources show: Willinger et al., "Self-similarity through high-variability", SIGCOMM 1995);
* answers to a service tool: 5 to 40 frames close together, now and then;
* a page: every 200 ms while somebody looks at it, for a minute or so (a two-state Markov chain);
* a value on change, no sooner than its inhibit time after the last and no later than its event timer (CiA 301, PDO
  communication parameters);
* a period that follows a speed, which wanders (an Ornstein-Uhlenbeck process).

The last controller sends on demand alone.
"""

from collections.abc import Callable

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.capture.frames import FrameBlock
from tests.truth.by_chance.sent_frames import frames_of

__all__ = ["LAWS", "on_demand_traffic"]

_FIRST_ADDRESS = 0x21


def _bursts(rng: np.random.Generator, until_s: float) -> Float64Array:
    times: list[Float64Array] = []
    at_s = float(rng.uniform(0.0, 5.0))
    while at_s < until_s:
        n = max(1, int(rng.lognormal(2.5, 1.0)))
        times.append(at_s + 0.01 * np.arange(n) + rng.normal(0.0, 3e-4, n))
        at_s += 0.01 * n + 0.2 * (1.0 + float(rng.pareto(1.2)))
    return np.concatenate(times)


def _answers(rng: np.random.Generator, until_s: float) -> Float64Array:
    times: list[Float64Array] = []
    at_s = float(rng.exponential(20.0))
    while at_s < until_s:
        times.append(at_s + np.cumsum(rng.uniform(0.005, 0.03, int(rng.integers(5, 41)))))
        at_s = float(times[-1][-1]) + float(rng.exponential(20.0))
    return np.concatenate(times) if times else np.zeros(0)


def _page(rng: np.random.Generator, until_s: float) -> Float64Array:
    times: list[Float64Array] = []
    at_s = float(rng.exponential(20.0))
    while at_s < until_s:
        n = 1 + int(rng.exponential(40.0) / 0.2)
        times.append(at_s + 0.2 * np.arange(n) + rng.uniform(0.0, 0.004, n))
        at_s += 0.2 * n + float(rng.exponential(60.0))
    return np.concatenate(times) if times else np.zeros(0)


def _on_change(rng: np.random.Generator, until_s: float) -> Float64Array:
    inhibit_s, timer_s = float(rng.uniform(0.02, 0.2)), float(rng.choice((1.0, 2.0, 5.0)))
    n = int(until_s / inhibit_s) + 1
    wanted_s = inhibit_s + rng.exponential(float(rng.uniform(0.2, 3.0)), n)
    return np.cumsum(np.minimum(wanted_s, timer_s))


def _with_speed(rng: np.random.Generator, until_s: float) -> Float64Array:
    step_s, pull = 0.1, float(rng.uniform(0.02, 0.1))
    n = int(until_s / step_s) + 1
    wander = np.empty(n)
    wander[0] = 0.0
    for k, push in enumerate(rng.normal(0.0, 0.12, n - 1)):
        wander[k + 1] = wander[k] * (1.0 - pull) + push
    per_s = 20.0 * np.exp(np.clip(wander, -1.2, 1.2))
    due = np.concatenate(([0.0], np.cumsum(per_s[:-1] * step_s)))
    at_s: Float64Array = np.interp(np.arange(1, int(due[-1])), due, step_s * np.arange(n))
    return at_s


LAWS: dict[str, Callable[[np.random.Generator, float], Float64Array]] = {
    "bursts": _bursts,
    "answers": _answers,
    "page": _page,
    "on change": _on_change,
    "with speed": _with_speed,
}
"""By name: (source of chance, length in s) -> times in s, ascending."""


def on_demand_traffic(seed: int, until_s: float = 300.0, *, extended: bool = True) -> tuple[FrameBlock, dict[int, str]]:
    """Give healthy traffic of three to seven controllers, and the law of each identifier ("rhythm" for the cyclic).

    Parameters
    ----------
    seed : decides everything
    until_s : length
    extended : 29-bit identifiers with source addresses; else 11-bit ones that say nothing of their senders
    """
    rng = np.random.default_rng(seed)
    sent: dict[int, Float64Array] = {}
    law_of: dict[int, str] = {}
    n_controllers = int(rng.integers(3, 8))
    for k in range(n_controllers):
        free = iter(0x18FF0000 | group << 8 | _FIRST_ADDRESS + k for group in range(64))
        if k < n_controllers - 1:
            for _ in range(int(rng.integers(1, 4))):
                identifier, period_s = next(free), float(rng.choice((0.02, 0.05, 0.1, 0.25, 1.0)))
                n = int(until_s / period_s)
                sent[identifier] = (
                    rng.uniform(0.0, period_s) + period_s * np.arange(n) + rng.uniform(0, 0.02, n) * period_s
                )
                law_of[identifier] = "rhythm"
        for _ in range(int(rng.integers(1, 5))):
            identifier, law = next(free), str(rng.choice(list(LAWS)))
            sent[identifier] = LAWS[law](rng, until_s)
            law_of[identifier] = law
    if not extended:
        # in an order by chance, from a source of its own: the times are those of the 29-bit machine
        plain = np.random.default_rng([seed, 11]).permutation(np.arange(0x100, 0x580)).tolist()
        named = dict(zip(sent, plain, strict=False))
        sent = {named[identifier]: times for identifier, times in sent.items()}
        law_of = {named[identifier]: law for identifier, law in law_of.items()}
    block = frames_of(sent, until_s, rng, extended=extended)
    return block, law_of
