"""The verdict over one power-up: pass, fail with the reason in words, or no limit known; and who waited for whom."""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.resync_check.records import (
    ControllerReturn,
    PowerUp,
    PowerUpReturn,
    ReturnFault,
    ReturnVerdict,
    StreamReturn,
)
from busdoc.times import MILLISECOND_NS, SECOND_NS
from busdoc.words.counting import counted

__all__ = ["give_verdicts", "judge_symptoms", "judge_wake"]

_LONG_ENOUGH_NS = 15 * SECOND_NS
"""Whoever is not back by then, where no limit is known, is missing (common practice)."""
_SAME_LATENESS = 0.15
_SAME_LATENESS_NS = 800 * MILLISECOND_NS
"""Two controllers were late by the same time when it differs by no more than this share, or this time."""


def give_verdicts(
    power_up: PowerUp, returns: Sequence[ControllerReturn], may_be_exchanged: frozenset[str] = frozenset()
) -> tuple[ControllerReturn, ...]:
    """Judge every controller of a power-up, and put them in the order of their first frames.

    Parameters
    ----------
    returns : of the same power-up, as `busdoc.resync_check.facts` found them
    may_be_exchanged : controllers that somebody wrote down to have replaced
    """
    judged = [_judged(power_up, one, one.name in may_be_exchanged, _restarted_with(one, returns)) for one in returns]
    judged = [_who_waited(power_up, one, judged) for one in judged]
    return tuple(sorted(judged, key=lambda one: (one.first_ns is None, one.first_ns or 0, one.name)))


def judge_symptoms(found: PowerUpReturn, symptoms: Sequence[str]) -> PowerUpReturn:
    """Fail a power-up after which something shows that is no one controller's, or of one that did not start with it."""
    if not symptoms:
        return found
    text = f"shows still, or again: {', '.join(symptoms[:4])}"
    return replace(found, faults=(*found.faults, ReturnFault.SYMPTOM), reasons=(*found.reasons, text))


def judge_wake(found: PowerUpReturn) -> PowerUpReturn:
    """Tell a start in which the first controller spoke late, and every other with it.

    Times of return count from the first frame, so that a delay of all does not show in them. Where somebody pressed,
    or a signal tells, it shows between that and the first frame; a press is believed to its uncertainty.
    """
    wake_ns, limit_ns = found.power_up.wake_ns, found.wake_limit_ns
    unsure_ns = round(_SURE * found.power_up.uncertainty_ns)
    if wake_ns is None or limit_ns is None or wake_ns - unsure_ns <= limit_ns:
        return found
    give = f" (the press is good to {found.power_up.uncertainty_ns / SECOND_NS:.1f} s)" if unsure_ns else ""
    usual = "" if found.wake_usual_ns is None else f", it used to be {found.wake_usual_ns / SECOND_NS:.1f} s"
    text = (
        f"all were late together: the first frame came {wake_ns / SECOND_NS:.1f} s after power{give}, "
        f"limit {limit_ns / SECOND_NS:.1f} s{usual}"
    )
    return replace(found, faults=(*found.faults, ReturnFault.ALL_LATE), reasons=(*found.reasons, text))


_SURE = 1.96
"""Standard deviations on one side that 97.5 % of all errors stay within."""


def _restarted_with(one: ControllerReturn, others: Sequence[ControllerReturn]) -> list[str]:
    """Name the controllers that were back from a restart at the same time."""
    return [
        other.name
        for other in others
        if other.name != one.name
        and any(abs(a - b) <= _TOGETHER_NS for a in one.restarts_ns for b in other.restarts_ns)
    ]


_TOGETHER_NS = SECOND_NS // 2
"""Controllers whose common supply comes back speak within half a second of each other (common practice)."""


def _judged(
    power_up: PowerUp, one: ControllerReturn, may_be_exchanged: bool, restarted_with: Sequence[str]
) -> ControllerReturn:
    faults: list[tuple[ReturnFault, str]] = []
    open_points: list[str] = []
    notes: list[str] = []
    if one.first_ns is None:
        _judge_absence(power_up, one, faults, open_points)
    else:
        _judge_times(power_up, one, faults, open_points)
        if one.restarts_ns:
            times = counted(len(one.restarts_ns), "time")
            when = ", ".join(_after(power_up, t_ns) for t_ns in one.restarts_ns[:4])
            text = f"restarted {times} while starting: back again at {when}"
            if restarted_with:
                company = ", ".join(restarted_with[:6])
                text += f", together with {company}: their common supply dipped or was switched again"
            faults.append((ReturnFault.RESTARTED, text))
        if one.fell_again:
            faults.append((ReturnFault.FELL_AGAIN, "fell silent again while settling, and stayed so"))
        if one.codes:
            faults.append((ReturnFault.CODE, f"active fault code: {', '.join(one.codes[:6])}"))
        if one.symptoms:
            faults.append((ReturnFault.SYMPTOM, f"shows still, or again: {', '.join(one.symptoms[:4])}"))
        if one.passed_codes:
            notes.append(f"while starting it said {', '.join(one.passed_codes[:6])}, and took it back")
    if one.moved_to is not None:
        faults.append((ReturnFault.MOVED, f"claimed another address, 0x{one.moved_to:02X}"))
    if one.can_name is not None and one.expected_name is not None and one.can_name != one.expected_name:
        text = f"another unit sits at its address: NAME 0x{one.can_name:016X} instead of 0x{one.expected_name:016X}"
        if may_be_exchanged:
            notes.append(f"{text}, as the journal says")
        else:
            faults.append((ReturnFault.EXCHANGED, text))
    notes += _against_usual(power_up, one)
    if faults:
        verdict = ReturnVerdict.FAIL
    elif one.limit_ns is None or open_points:
        verdict = ReturnVerdict.NO_LIMIT
    else:
        verdict = ReturnVerdict.PASS
    return replace(
        one,
        faults=tuple(fault for fault, _ in faults),
        reasons=(*(text for _, text in faults), *open_points),
        notes=tuple(notes),
        verdict=verdict,
    )


def _judge_absence(
    power_up: PowerUp, one: ControllerReturn, faults: list[tuple[ReturnFault, str]], open_points: list[str]
) -> None:
    """Judge a controller of which not one frame came."""
    watched_ns = power_up.until_ns - (power_up.time_ns if power_up.zero_ns is None else power_up.zero_ns)
    if watched_ns > (_LONG_ENOUGH_NS if one.limit_ns is None else one.limit_ns):
        faults.append((ReturnFault.MISSING, f"did not come back within {watched_ns / SECOND_NS:.1f} s"))
    else:
        open_points.append(f"not back yet, {_ends(power_up)} after {watched_ns / SECOND_NS:.1f} s")


def _judge_times(
    power_up: PowerUp, one: ControllerReturn, faults: list[tuple[ReturnFault, str]], open_points: list[str]
) -> None:
    """Judge when a controller and its streams were in step."""
    assert power_up.zero_ns is not None
    watched_ns = power_up.until_ns - power_up.zero_ns
    limit_ns = one.limit_ns
    due_ns = _LONG_ENOUGH_NS if limit_ns is None else limit_ns
    in_time: list[StreamReturn] = []
    late: list[StreamReturn] = []
    unsettled: list[StreamReturn] = []
    for stream in one.streams:
        if stream.steady_ns is None:
            (unsettled if not stream.may_settle or watched_ns > due_ns else in_time).append(stream)
        elif limit_ns is not None and one.took_ns(stream.steady_ns, power_up.zero_ns) > limit_ns:
            late.append(stream)
        else:
            in_time.append(stream)
    if unsettled and watched_ns <= due_ns:
        open_points.append(f"not in step yet, {_ends(power_up)} after {watched_ns / SECOND_NS:.1f} s")
    else:
        absent = [stream for stream in unsettled if not stream.heard]
        restless = [stream for stream in unsettled if stream.heard]
        if absent and (limit_ns is not None or power_up.off_ns is not None):
            faults.append((ReturnFault.LATE_STREAM, f"{_named(absent)} did not come"))
        elif absent:
            open_points.append(f"{_named(absent)} did not come until later")
        if restless and limit_ns is not None:
            faults.append((ReturnFault.NOT_IN_RHYTHM, f"{_named(restless)} did not hold the rhythm"))
        elif restless:
            open_points.append(f"{_named(restless)} did not hold a rhythm, and no map says that it should")
    if any(stream.steady_ns is None and stream.may_settle for stream in in_time):
        open_points.append(f"{_ends(power_up)} before the slowest streams settled")
    if late and not power_up.whole:
        # neither when power came is known, nor whether the engine was being started just then
        steady_ns = max(stream.steady_ns or 0 for stream in late)
        open_points.append(
            f"in step {_after(power_up, steady_ns)} into the recording, which begins in the middle of the start: "
            "whether that is late is not known"
        )
    elif late and limit_ns is not None and not one.restarts_ns:
        _judge_late(power_up, one, late, in_time, limit_ns, faults)
    elif late and limit_ns is not None:
        steady_ns = max(stream.steady_ns or 0 for stream in late)
        text = f"in step only after {_after(power_up, steady_ns)}, limit {limit_ns / SECOND_NS:.1f} s"
        faults.append((ReturnFault.SLOW, text))
    elif limit_ns is not None and not power_up.whole:
        open_points.append("the recording begins in the middle of the start, so its times are not known")


def _judge_late(
    power_up: PowerUp,
    one: ControllerReturn,
    late: Sequence[StreamReturn],
    in_time: Sequence[StreamReturn],
    limit_ns: int,
    faults: list[tuple[ReturnFault, str]],
) -> None:
    """Tell a controller that was late as a whole from one of which some streams were."""
    steady_ns = max(stream.steady_ns or 0 for stream in late)
    if in_time and len(late) <= len(in_time) + 1:
        when = _after(power_up, steady_ns)
        text = f"{_named(late)} in step only after {when}, limit {limit_ns / SECOND_NS:.1f} s; the rest in time"
        faults.append((ReturnFault.LATE_STREAM, text))
        return
    first = f", its first frame after {_after(power_up, one.first_ns)}" if one.first_ns is not None else ""
    text = f"in step only after {_after(power_up, steady_ns)}{first}, limit {limit_ns / SECOND_NS:.1f} s"
    faults.append((ReturnFault.SLOW, text))


def _who_waited(power_up: PowerUp, one: ControllerReturn, others: Sequence[ControllerReturn]) -> ControllerReturn:
    """Name the controller that this one waited for: neither came, or it came before this one, as late."""
    first = next((other for other in others if other.name == one.starts_after), None)
    if one.first_ns is None and first is not None and first.first_ns is None:
        text = f"starts only after {first.name}, which did not come either"
        return replace(one, waited_for=first.name, reasons=(*one.reasons, text))
    lateness = _lateness(power_up, one)
    if lateness is None or ReturnFault.SLOW not in one.faults or one.first_ns is None:
        return one
    before = [
        (other is not first, other.first_ns, other.name, late_ns)
        for other in others
        if other.name != one.name
        and other.first_ns is not None
        and other.first_ns < one.first_ns
        and ReturnFault.SLOW in other.faults
        and (late_ns := _lateness(power_up, other)) is not None
        and abs(late_ns - lateness) <= max(_SAME_LATENESS_NS, _SAME_LATENESS * lateness)
    ]
    if not before:
        return one
    _, _, name, late_ns = min(before)
    own, other = f"{lateness / SECOND_NS:.1f} s", f"{late_ns / SECOND_NS:.1f} s"
    text = f"late by {own}, as {name} before it by {other}: it seems to wait for {name}"
    return replace(one, waited_for=name, reasons=(*one.reasons, text))


def _lateness(power_up: PowerUp, one: ControllerReturn) -> int | None:
    if one.steady_ns is None or one.usual_ns is None or power_up.zero_ns is None:
        return None
    return one.took_ns(one.steady_ns, power_up.zero_ns) - one.usual_ns


def _against_usual(power_up: PowerUp, one: ControllerReturn) -> list[str]:
    """Say when a return within its limit was much slower or faster than it used to be."""
    lateness = _lateness(power_up, one)
    if lateness is None or one.usual_ns is None or one.limit_ns is None or one.restarts_ns:
        return []  # without a limit too few returns are known to say what is ordinary
    if power_up.feed is not None:
        return []  # a feed's return counts from its own first frame, what is usual from the machine's
    if abs(lateness) <= max(SECOND_NS // 2, one.usual_ns // 3):
        return []
    word = "slower" if lateness > 0 else "faster"
    return [f"{abs(lateness) / SECOND_NS:.1f} s {word} than it was ({one.usual_ns / SECOND_NS:.1f} s)"]


def _named(streams: Sequence[StreamReturn]) -> str:
    names = ", ".join(str(stream.key) for stream in streams[:4])
    return names + (f" and {len(streams) - 4} more" if len(streams) > 4 else "")


def _after(power_up: PowerUp, t_ns: int | None) -> str:
    zero_ns = power_up.zero_ns if power_up.zero_ns is not None else power_up.time_ns
    return f"{((t_ns or zero_ns) - zero_ns) / SECOND_NS:.1f} s"


def _ends(power_up: PowerUp) -> str:
    return "the recording ends" if power_up.ends_capture else "power went off again"
