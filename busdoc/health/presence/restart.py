"""Did a controller that came back restart, or was it only unheard?

A controller that kept running goes on in phase, with its counters in step, and says nothing of a start. One that
restarted comes back at a phase of its own, with its counters reset, its streams one after the other, and announces
itself where its protocol has a word for that. Each of these gives a log-likelihood ratio; their sum, on even odds, is
the probability.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.incident import RanOn
from busdoc.health.presence.cyclic_stream import Beat
from busdoc.health.presence.presence import Fall
from busdoc.health.streams.rolling import Rolling
from busdoc.health.streams.silence import Silence
from busdoc.times import MILLISECOND_NS

__all__ = ["Return", "in_company", "unasked_words", "weigh_return"]

_DECIDED = 0.8
"""A probability beyond this, either way, is an answer."""
_OUTLIER = 0.04
"""Share of streams whose phase tells nothing although they kept running: a task that was put off, a timer set anew."""
_FLAT_SPREAD = 0.2
"""Periods: a phase that is known no better tells nothing."""
_CLOCK_DRIFT = 20e-6
"""How much a controller's clock may wander from its own mean rate (temperature; common practice for crystals)."""
_AGREE = 0.75
"""Least share of the frames around a silence that keep one phase: streams that also send on change have none."""
_BEST_KNOWN = 0.016
"""Periods: a phase that fits by chance must not outweigh another that does not fit."""
_FINEST_NS = 200_000
"""Nobody knows a phase better than a frame keeps the wire (0.6 ms for the longest at 250 kbit/s)."""
_SHARED = 0.5
"""Streams of one controller beat from one timer, so what the second one says is worth half."""
_SIGN_WEIGHT = {
    SignKind.BOOT_UP: 7.0,
    SignKind.HEARTBEAT_FIRST: 7.0,
    SignKind.ADDRESS_CLAIM: 6.0,
    SignKind.CANNOT_CLAIM: 3.0,
}
_NO_SIGN_WEIGHT = -3.0
"""A controller that announces its starts elsewhere in the capture has said nothing this time."""
_MOST_FROM_OTHERS = 2.5
_MOST_OF_ONE = 6.0
_STAGGERED_WEIGHT = 2.5
_RESET_SHARE = 0.7
"""Share of restarted controllers whose rolling counters begin at zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """Whether a controller had restarted when it was back, and why we think so."""

    ran_on: RanOn
    p_restarted: float | None
    evidence: tuple[str, ...]


def weigh_return(fall: Fall, signs: Sequence[Sign], announces_itself: bool) -> Return:
    """Weigh what speaks for a restart and what speaks against it.

    Parameters
    ----------
    fall : the loss, with the silences of the controller's cyclic streams
    signs : the controller's own signs from the loss until some seconds after the return
    announces_itself : this controller is known to announce its starts
    """
    if fall.back_ns is None:
        return Return(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    parts = (
        _from_signs(signs, announces_itself),
        _from_phases(fall),
        _from_counters(fall),
        _from_order(fall),
    )
    weight = sum(part[0] for part in parts)
    words = [text for part in parts if part[0] * weight >= 0.0 for text in part[1]]
    words += [f"against it: {text}" for part in parts if part[0] * weight < 0.0 for text in part[1]]
    if not words:
        return Return(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    return _answer(weight, words)


def in_company(returns: Sequence[Return | None]) -> list[Return | None]:
    """Let controllers that were lost together speak for one another; None: not back yet.

    One cause took them all, so most of them restarted, or none: what the others show is worth half of what a
    controller shows itself, and never more than 12 to 1.
    """
    weights = [_weight(found) for found in returns]
    n_known = sum(found is not None and found.p_restarted is not None for found in returns)
    total = sum(weights)
    told: list[Return | None] = []
    for found, weight in zip(returns, weights, strict=True):
        if found is None or n_known == (found.p_restarted is not None):
            told.append(found)
            continue
        prior = max(-_MOST_FROM_OTHERS, min(_MOST_FROM_OTHERS, _SHARED * (total - weight)))
        words = list(found.evidence)
        if abs(prior) > 1.0:
            words.append(f"the controllers lost with it {'restarted' if prior > 0 else 'kept running'} too")
        told.append(_answer(weight + prior, words))
    return told


def _weight(found: Return | None) -> float:
    if found is None or found.p_restarted is None:
        return 0.0
    p = min(max(found.p_restarted, 1e-9), 1.0 - 1e-9)
    return max(-_MOST_OF_ONE, min(_MOST_OF_ONE, math.log(p / (1.0 - p))))


def _answer(weight: float, words: Sequence[str]) -> Return:
    p_restarted = 1.0 / (1.0 + math.exp(-max(-40.0, min(40.0, weight))))
    ran_on = RanOn.UNKNOWN
    if p_restarted > _DECIDED:
        ran_on = RanOn.RESTARTED
    elif p_restarted < 1.0 - _DECIDED:
        ran_on = RanOn.KEPT_RUNNING
    return Return(ran_on=ran_on, p_restarted=p_restarted, evidence=tuple(words))


def unasked_words(kind: SignKind) -> str:
    """Say in words that a sign of a start came unasked."""
    article = "an" if kind.value[0] in "aeiou" else "a"
    return f"it sent {article} {kind} that nobody had asked for"


def _from_signs(signs: Sequence[Sign], announces_itself: bool) -> tuple[float, list[str]]:
    starts = [sign for sign in signs if not sign.asked and sign.kind in _SIGN_WEIGHT]
    if starts:
        strongest = max(starts, key=lambda sign: _SIGN_WEIGHT[sign.kind])
        return _SIGN_WEIGHT[strongest.kind], [unasked_words(strongest.kind)]
    if any(sign.kind is SignKind.HEARTBEAT_LAST for sign in signs):
        return 3.0, ["it had announced an orderly shutdown"]
    if announces_itself and not any(sign.asked for sign in signs):
        return _NO_SIGN_WEIGHT, ["it did not announce a start, as it does otherwise"]
    return 0.0, []


def _from_phases(fall: Fall) -> tuple[float, list[str]]:
    in_phase: list[float] = []
    off_phase: list[float] = []
    weights: list[float] = []
    for beat, silence in fall.streams:
        found = phase_error(beat, silence)
        if found is None:
            continue
        error, spread = found
        kept = (1.0 - _OUTLIER) * math.exp(-0.5 * (error / spread) ** 2) / (spread * math.sqrt(2 * math.pi)) + _OUTLIER
        weights.append(-math.log(kept))
        (in_phase if kept > 1.0 else off_phase).append(abs(error))
    if not weights:
        return 0.0, []
    words = []
    if in_phase:
        words.append(f"{_streams(len(in_phase))} came back in phase, within {100 * max(in_phase):.1f} % of a period")
    if off_phase:
        words.append(
            f"{_streams(len(off_phase))} came back out of phase, by up to {100 * max(off_phase):.0f} % of a period"
        )
    weight = _sum_of_kin(weights)
    return weight, words[::-1] if weight > 0.0 else words  # what decided comes first


def phase_error(beat: Beat, silence: Silence) -> tuple[float, float] | None:
    """Give how far from its old phase a stream came back, and how well that is known, in periods.

    None when the stream's period is not fixed, when too few frames are around the silence, or when the phase cannot
    have been kept in mind for so long.
    """
    mean = beat.mean_period()
    if mean is None:
        return None
    mean_ns, n_mean = mean
    zero_ns = silence.from_ns
    before = _unbroken(silence.before_ns[::-1], beat.deadline_ns)[::-1] - zero_ns
    after = _unbroken(silence.after_ns, beat.deadline_ns) - zero_ns
    if len(before) < 4 or len(after) < 2:
        return None
    before_phase, before_spread, n_before = _mean_phase(before / mean_ns)
    after_phase, after_spread, n_after = _mean_phase(after / mean_ns)
    if n_before < max(3, _AGREE * len(before)) or n_after < max(2, _AGREE * len(after)):
        return None
    tick_ns = int(np.gcd(np.gcd.reduce(before), np.gcd.reduce(after)))
    spread = max(before_spread, after_spread, _FINEST_NS / mean_ns, 0.5 * tick_ns / mean_ns)
    periods = float(after[0]) / mean_ns
    drifted = periods * (_CLOCK_DRIFT + spread / n_mean)
    known = math.sqrt(spread**2 * (1.0 / n_before + 1.0 / n_after) * 2.0 + drifted**2 + (0.25 * spread) ** 2)
    known = max(known, _BEST_KNOWN)
    if known > _FLAT_SPREAD:
        return None
    error = after_phase - before_phase
    return error - round(error), known


def _unbroken(t_ns: Int64Array, deadline_ns: int) -> Int64Array:
    """Give the arrivals up to the first silence among them."""
    long = np.flatnonzero(np.abs(np.diff(t_ns)) > deadline_ns)
    return t_ns[: long[0] + 1] if len(long) else t_ns


def _mean_phase(phase: Float64Array) -> tuple[float, float, int]:
    """Give the mean phase of arrivals, in periods, its spread, and how many arrivals agree on it.

    Some arrivals may be off (a first frame on start, extra frames on change): the phase is the one most agree on.
    """
    phase = phase - np.floor(phase)
    apart = phase[:, None] - phase[None, :]
    apart -= np.round(apart)
    agree = (np.abs(apart) < 0.15).sum(axis=1)
    centre = phase[int(np.argmax(agree))]
    error = phase - centre
    error -= np.round(error)
    near = np.abs(error) < 0.2
    mean = float(np.median(error[near]))
    spread = float(1.4826 * np.median(np.abs(error[near] - mean))) if near.sum() > 2 else 0.05
    return centre + mean, spread, int(near.sum())


def _from_counters(fall: Fall) -> tuple[float, list[str]]:
    weights = []
    in_step, reset, jumped = 0, 0, 0
    for beat, silence in fall.streams:
        if len(silence.before_ns) < 8 or not len(silence.after_ns):
            continue
        if np.diff(silence.before_ns).min() < beat.period_ns // 2:
            continue  # several frames in one go count within the go
        mean = beat.mean_period()
        for counter in silence.counters:
            expected = None
            if mean is not None:
                steps = round((int(silence.after_ns[0]) - silence.from_ns) / mean[0])
                expected = (counter.last + steps) % counter.modulus
            found = counter.value(silence.after_data[0])
            weights.append(_counter_weight(counter, expected, found))
            if expected is not None and found == expected:
                in_step += 1
            elif found <= 1:
                reset += 1
            else:
                jumped += 1
    if not weights:
        return 0.0, []
    words = []
    if in_step:
        words.append(f"{_counters(in_step)} went on in step with the frames missed")
    if reset:
        words.append(f"{_counters(reset)} began again at zero")
    if jumped:
        words.append(f"{_counters(jumped)} jumped")
    return _sum_of_kin(weights), words


def _counter_weight(counter: Rolling, expected: int | None, found: int) -> float:
    flat = 1.0 / counter.modulus
    restarted = _RESET_SHARE * (0.8 * (found == 0) + 0.2 * (found == 1)) + (1.0 - _RESET_SHARE) * flat
    if expected is None:
        kept = flat
    else:
        near = (found - expected) % counter.modulus in (1, counter.modulus - 1)
        kept = 0.88 * (found == expected) + 0.04 * near + 0.08 * flat
    return math.log(restarted / kept)


def _from_order(fall: Fall) -> tuple[float, list[str]]:
    """Judge whether the streams came back one after the other, later than their periods allow."""
    if fall.back_ns is None:
        return 0.0, []
    late_ns = 0
    for beat, silence in fall.streams:
        if silence.to_ns is None or beat.rhythm.exact_period_ns is None:
            continue
        own_ns = silence.to_ns - fall.back_ns - round(1.25 * beat.slowest_ns)
        late_ns = max(late_ns, own_ns)
    if late_ns > 10 * MILLISECOND_NS:
        return _STAGGERED_WEIGHT, ["its streams started one after the other"]
    return 0.0, []


def _sum_of_kin(weights: list[float]) -> float:
    """Add log-likelihood ratios of streams that share one controller: the strongest in full, the others by half."""
    strongest = max(weights, key=abs)
    return strongest + _SHARED * (sum(weights) - strongest)


def _streams(n: int) -> str:
    return "one cyclic stream" if n == 1 else f"{n} cyclic streams"


def _counters(n: int) -> str:
    return "a rolling counter" if n == 1 else f"{n} rolling counters"
