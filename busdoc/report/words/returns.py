"""How the return of controllers after a power-up is put into words."""

from collections.abc import Sequence

from busdoc.actions.words import THE_MACHINE
from busdoc.resync_check.records import FoundBy, PowerUp, PowerUpReturn, ReturnVerdict
from busdoc.times import SECOND_NS
from busdoc.words.counting import first_few, plural
from busdoc.words.duration import duration

__all__ = [
    "failure_of",
    "followed_headline",
    "known_by",
    "limit_in_words",
    "limits_missing",
    "resync_headline",
    "since_first_frame",
    "summary_of",
]

_KNOWN_BY = {
    FoundBy.JOURNAL: "by the journal",
    FoundBy.SIGNAL: "by its signal",
    FoundBy.TRAFFIC: "by the traffic: all were silent, then back",
    FoundBy.OPENING: "at the start of the recording",
}


def resync_headline(power_ups: tuple[PowerUpReturn, ...]) -> str:
    """Say in a sentence whether every controller came back after every power-up."""
    failed = [one for one in power_ups if one.verdict is ReturnVerdict.FAIL]
    n = len(power_ups)
    if n == 1:
        return summary_of(power_ups[0])
    if failed:
        which = ", ".join(str(k) for k, one in enumerate(power_ups, start=1) if one.verdict is ReturnVerdict.FAIL)
        were = plural(len(failed), "was", "were")
        return f"FAIL: {len(failed)} of {n} power-ups {were} not healthy (number {which})."
    if all(one.verdict is ReturnVerdict.PASS for one in power_ups):
        return f"PASS: after each of {n} power-ups every controller was back in step in time."
    return f"NO LIMIT KNOWN for some controllers; nothing else was wrong at any of {n} power-ups."


def summary_of(one: PowerUpReturn) -> str:
    """Say in a sentence how one power-up went.

    The time is that from the first frame until the slowest controller was in step.
    """
    failure = _who_failed(one)
    if failure is not None:
        return f"FAIL: {failure}."
    slowest, zero_ns = one.slowest, one.power_up.zero_ns
    took = ""
    if slowest is not None and slowest.steady_ns is not None and zero_ns is not None:
        took = f" after {duration(slowest.steady_ns - zero_ns)}, {slowest.name} last"
    if one.verdict is ReturnVerdict.PASS:
        return f"PASS: all {len(one.controllers)} back in step{took}."
    if all(c.steady_ns is not None for c in one.controllers):
        return f"NO LIMIT KNOWN: all {len(one.controllers)} back in step{took}; nobody said within what time."
    return "NO VERDICT: the recording does not show every controller settle."


def failure_of(one: PowerUpReturn) -> str | None:
    """Say what was wrong after one power-up, and how, as a sentence without its stop; None: nothing."""
    failed = [c for c in one.controllers if c.verdict is ReturnVerdict.FAIL]
    said = _who_failed(one)
    return f"{said}: {failed[0].reasons[0]}" if len(failed) == 1 and failed[0].reasons else said


def _who_failed(one: PowerUpReturn) -> str | None:
    failed = [c.name for c in one.controllers if c.verdict is ReturnVerdict.FAIL]
    if failed:
        return f"{first_few(failed)} did not come back as {plural(len(failed), 'it', 'they')} should"
    return one.reasons[0] if one.reasons else None


def followed_headline(
    one: PowerUpReturn, missing: Sequence[str], *, within_ns: int, timed_out: bool, done: bool
) -> str:
    """Say in a sentence how a power-up went that was followed live; how many are in step is its one figure.

    Parameters
    ----------
    missing : who was not in step, or only after the time limit
    within_ns : the time limit
    timed_out : whether it passed before all were back
    done : whether it was followed to the end
    """
    count = f"{len(one.controllers) - len(missing)} of {len(one.controllers)} in step"
    if timed_out and missing:
        return f"FAIL: {count}; {first_few(missing)} not back within {within_ns / SECOND_NS:.1f} s."
    if missing and not done:
        ended = f"Ended with {count}, before {first_few(missing)} {plural(len(missing), 'was', 'were')} back."
        return f"{summary_of(one)} {ended}"
    return summary_of(one)


def limits_missing(power_ups: Sequence[PowerUpReturn]) -> str | None:
    """Say once for whom no limit is known, and where it comes from; None: every one has its limit."""
    names = list(dict.fromkeys(c.name for one in power_ups for c in one.controllers if c.limit_ns is None))
    if not names:
        return None
    return f"No limit known for {first_few(names)}: `busdoc baseline` learns it from healthy power-ups."


def known_by(power_up: PowerUp) -> str:
    """Say what was switched on, and how that is known."""
    words = f"{power_up.feed or THE_MACHINE}, {_KNOWN_BY[power_up.found_by]}"
    return words if power_up.whole else f"{words}, which begins in the middle of it"


def since_first_frame(power_up: PowerUp, t_ns: int | None, otherwise: str) -> str:
    """Write how long after the first frame of a power-up something was; `otherwise` where that is not known."""
    zero_ns = power_up.zero_ns
    return otherwise if t_ns is None or zero_ns is None else f"{(t_ns - zero_ns) / SECOND_NS:.2f} s"


def limit_in_words(limit_ns: int | None, otherwise: str) -> str:
    """Write within what time a controller should be back; `otherwise` where there is no limit."""
    return otherwise if limit_ns is None else f"{limit_ns / SECOND_NS:.1f} s"
