"""Restart evidence: did a controller that came back restart, or was it only unheard?

A controller that kept running goes on in phase, with its counters in step, and says nothing of a start. One that
restarted comes back at a phase of its own, with its counters reset, its streams one after the other, and announces
itself where its protocol has a word for that. Each of these gives a log-likelihood ratio; their sum, on even odds, is
the probability.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.incident import RanOn
from busdoc.health.presence.dropout import Absence
from busdoc.health.presence.restart_phase import phase_error
from busdoc.health.streams.rolling import Rolling
from busdoc.times import MILLISECOND_NS
from busdoc.words.counting import plural
from busdoc.words.duration import duration

__all__ = ["RestartFinding", "share_evidence", "unasked_words", "weigh_restart"]

_DECIDED = 0.8
"""A probability beyond this, either way, is an answer."""
_OUTLIER = 0.15
"""Share of streams whose phase tells nothing although they kept running: a task that was put off, a timer set anew."""
_SHARED = 0.5
"""Streams of one controller run from one timer, so what the second one says is worth half."""
_SIGN_WEIGHT = {  # common practice: what a controller says of itself outweighs everything else
    SignKind.BOOT_UP: 7.0,
    SignKind.HEARTBEAT_FIRST: 7.0,
    SignKind.ADDRESS_CLAIM: 6.0,
    SignKind.CANNOT_CLAIM: 3.0,
}
_FREE_CLAIM_WEIGHT = 1.0
"""Of one that claims while it runs on, too, as something that nobody hears asks it to."""
_NO_SIGN_WEIGHT = -3.0
"""A controller that announces its starts elsewhere in the capture has said nothing this time."""
_GOODBYE_WEIGHT = 3.0
"""A controller that announced an orderly shutdown (ISO 11783-7 sequence 255) was switched off, and so started anew."""
_MOST_FROM_OTHERS = 2.5
"""What others show is worth 12 to 1 at the most …"""
_MOST_OF_ONE = 6.0
"""… and what each of them shows 400 to 1."""
_STAGGERED_WEIGHT = 1.5
_STAGGERED_NS = 10 * MILLISECOND_NS
"""Streams later than this beyond their own rhythm started one after the other."""
_TOO_SHORT_WEIGHT = 6.0
"""What comes back sooner than a start takes did not start."""
_RESET_SHARE = 0.7
"""Share of restarted controllers whose rolling counters begin at zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartFinding:
    """Whether a controller had restarted when it was back, and why we think so."""

    ran_on: RanOn
    p_restarted: float | None
    evidence: tuple[str, ...]


def weigh_restart(
    absence: Absence,
    signs: Sequence[Sign],
    announces_itself: bool,
    least_start_ns: int = 0,
    *,
    claims_freely: bool = False,
) -> RestartFinding:
    """Weigh what speaks for a restart and what speaks against it.

    Parameters
    ----------
    absence : the loss, with the silences of the controller's cyclic streams
    signs : the controller's own signs from the loss until some seconds after the return
    announces_itself : this controller is known to announce its starts
    least_start_ns : the shortest time in which it can have restarted
    claims_freely : it claims its address also while it runs on, and nobody is heard to ask
    """
    if absence.back_ns is None:
        return RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    if absence.back_ns - absence.last_seen_ns < least_start_ns:
        return _answer(-_TOO_SHORT_WEIGHT, [f"nobody restarts within {duration(least_start_ns)}"])
    # a log-likelihood ratio and its words from each kind of evidence, positive for a restart
    parts = (
        _from_signs(signs, announces_itself, claims_freely=claims_freely),
        _from_phases(absence),
        _from_counters(absence),
        _from_order(absence, absence.back_ns),
    )
    # their sum decides; what speaks the other way is told as such
    weight = sum(part[0] for part in parts)
    words = [text for part in parts if part[0] * weight >= 0.0 for text in part[1]]
    words += [f"against it: {text}" for part in parts if part[0] * weight < 0.0 for text in part[1]]
    if not words:
        return RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    return _answer(weight, words)


def share_evidence(returns: Sequence[RestartFinding | None]) -> list[RestartFinding | None]:
    """Let controllers that were lost together speak for one another; None: not back yet.

    One cause took them all, so most of them restarted, or none: what the others show is worth half of what a
    controller shows itself, and never more than 12 to 1.
    """
    # who shows nothing himself is told by the others; who does is only moved by them; alone, nobody is
    weights = [_weight(found) for found in returns]
    n_known = sum(found is not None and found.p_restarted is not None for found in returns)
    total = sum(weights)
    told: list[RestartFinding | None] = []
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


def _weight(found: RestartFinding | None) -> float:
    if found is None or found.p_restarted is None:
        return 0.0
    p = min(max(found.p_restarted, 1e-9), 1.0 - 1e-9)
    return max(-_MOST_OF_ONE, min(_MOST_OF_ONE, math.log(p / (1.0 - p))))


def _answer(weight: float, words: Sequence[str]) -> RestartFinding:
    p_restarted = 1.0 / (1.0 + math.exp(-max(-40.0, min(40.0, weight))))
    ran_on = RanOn.UNKNOWN
    if p_restarted > _DECIDED:
        ran_on = RanOn.RESTARTED
    elif p_restarted < 1.0 - _DECIDED:
        ran_on = RanOn.KEPT_RUNNING
    return RestartFinding(ran_on=ran_on, p_restarted=p_restarted, evidence=tuple(words))


def unasked_words(kind: SignKind) -> str:
    """Say in words that a sign of a start came unasked."""
    article = "an" if kind.value[0] in "aeiou" else "a"
    return f"it sent {article} {kind} that nobody had asked for"


def _from_signs(signs: Sequence[Sign], announces_itself: bool, *, claims_freely: bool) -> tuple[float, list[str]]:
    """Weigh what the controller said of a start or of a shutdown, or that it said nothing."""
    starts = [sign for sign in signs if not sign.asked and sign.kind in _SIGN_WEIGHT]
    if starts:
        strongest = max(starts, key=lambda sign: _SIGN_WEIGHT[sign.kind])
        weight = _SIGN_WEIGHT[strongest.kind]
        if claims_freely and strongest.kind in (SignKind.ADDRESS_CLAIM, SignKind.CANNOT_CLAIM):
            weight = _FREE_CLAIM_WEIGHT
        return weight, [unasked_words(strongest.kind)]
    if any(sign.kind is SignKind.HEARTBEAT_LAST for sign in signs):
        return _GOODBYE_WEIGHT, ["it had announced an orderly shutdown"]
    if announces_itself and not any(sign.asked for sign in signs):
        return _NO_SIGN_WEIGHT, ["it did not announce a start, as it does otherwise"]
    return 0.0, []


def _from_phases(absence: Absence) -> tuple[float, list[str]]:
    """Weigh the phases at which the streams came back: near the old one by their spread, or anywhere in a period."""
    in_phase: list[float] = []
    off_phase: list[float] = []
    weights: list[float] = []
    for stream, silence in absence.streams:
        found = phase_error(stream, silence)
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
    if len(weights) == 1:
        weight = min(weight, 0.0)  # one task may have been put off: alone it proves no restart
    return weight, words[::-1] if weight > 0.0 else words  # what decided comes first


def _from_counters(absence: Absence) -> tuple[float, list[str]]:
    """Weigh where the rolling counters of the streams went on."""
    weights = []
    in_step, reset, jumped = 0, 0, 0
    for stream, silence in absence.streams:
        if len(silence.before_ns) < 8 or not len(silence.after_ns):
            continue
        if np.diff(silence.before_ns).min() < stream.period_ns // 2:
            continue  # several frames in one go count within the go
        mean = stream.mean_period()
        for counter in silence.counters:
            # in step, the counter went on by as many frames as were missed
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
    """Give the log-likelihood ratio of a counter's first value; `expected` is what it says in step, where known."""
    flat = 1.0 / counter.modulus
    restarted = _RESET_SHARE * (0.8 * (found == 0) + 0.2 * (found == 1)) + (1.0 - _RESET_SHARE) * flat
    if expected is None:
        kept = flat
    else:
        near = (found - expected) % counter.modulus in (1, counter.modulus - 1)
        kept = 0.88 * (found == expected) + 0.04 * near + 0.08 * flat
    return math.log(restarted / kept)


def _from_order(absence: Absence, back_ns: int) -> tuple[float, list[str]]:
    """Judge whether the streams came back one after the other, later than their periods allow."""
    late_ns = 0
    for stream, silence in absence.streams:
        if silence.to_ns is None or stream.rhythm.exact_period_ns is None:
            continue
        own_ns = silence.to_ns - back_ns - round(1.25 * stream.slowest_ns)
        late_ns = max(late_ns, own_ns)
    if late_ns > _STAGGERED_NS:
        return _STAGGERED_WEIGHT, ["its streams started one after the other"]
    return 0.0, []


def _sum_of_kin(weights: list[float]) -> float:
    """Add log-likelihood ratios of streams that share one controller: the strongest in full, the others by half."""
    strongest = max(weights, key=abs)
    return strongest + _SHARED * (sum(weights) - strongest)


def _streams(n: int) -> str:
    return plural(n, "one cyclic stream", f"{n} cyclic streams")


def _counters(n: int) -> str:
    return plural(n, "a rolling counter", f"{n} rolling counters")
