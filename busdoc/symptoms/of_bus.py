"""Symptoms of a bus itself: error frames above a rate, load above a share, error passive, bus-off.

Error frames and states are what the recording adapter saw: a lead of ours that makes poor contact shows the same, so a
bus symptom is isolated only where it was asked for.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.arrays import BoolArray
from busdoc.errors import InputError
from busdoc.health.summary import Health, WireLoad
from busdoc.symptoms.spans import Spans, cut_at_restarts, without
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["BusQuestion", "BusSign", "bus_symptoms", "is_about_bus", "parse_bus"]

_ADVICE = (
    "Write for example 'bus:errors', 'bus:errors:can0 > 20' (a second), 'bus:load > 60' (%), bus:passive or bus:off."
)
_USUAL_ERRORS_HZ = 5.0
"""So many error frames a second are trouble where nobody said what is usual (common practice: a healthy bus has some a
minute at most; a cut wire, a missing terminator or a second sender of one identifier makes hundreds a second)."""
_TIMES_USUAL = 3.0
"""Beyond so many times the map's usual ones (as `resync` tells changes)."""
_USUAL_LOAD = 80.0
"""Beyond so many per cent frames of low priority wait for long (common practice: load is kept below 30 to 50 %)."""
_BRIDGED_NS = 2 * SECOND_NS
"""Bad seconds that are this far apart are one showing: errors come in bursts."""
_LATENCY_NS = 2 * SECOND_NS
"""From a fault to its window: one second is counted, and a contact that just fails makes few errors at first."""
_PASSIVE = ("error passive, receiving", "error passive, transmitting")
_OFF = ("bus-off",)
_OVER = ("error active again", "error warning, receiving", "error warning, transmitting", "restarted after bus-off")


class BusSign(StrEnum):
    """What of a bus is asked about."""

    ERRORS = "errors"
    LOAD = "load"
    PASSIVE = "passive"
    OFF = "off"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusQuestion:
    """A symptom of a bus, as it is asked for."""

    sign: BusSign
    channel: str | None
    """By its name; None: any."""
    limit: float | None
    """Error frames a second, or per cent of the bit rate; None: what is usual."""


def is_about_bus(text: str) -> bool:
    """Whether a symptom expression asks about a bus.

    >>> is_about_bus("bus:errors > 20"), is_about_bus("bus"), is_about_bus("Bus.Load > 20")
    (True, True, False)
    """
    return text.split(":", 1)[0].strip() == SymptomKind.BUS


def parse_bus(text: str, where: str = "--symptom") -> BusQuestion:
    """Read ``bus:errors:can0 > 20``.

    Raises
    ------
    InputError : it asks about nothing that a bus has

    Examples
    --------
    >>> parse_bus("bus:load:can1 > 60 %")
    BusQuestion(sign=<BusSign.LOAD: 'load'>, channel='can1', limit=60.0)
    >>> parse_bus("bus").sign
    <BusSign.ERRORS: 'errors'>
    """
    found = re.fullmatch(
        r"\s*bus(?::(?P<sign>[a-z]+)(?::(?P<channel>[^>]*?))?)?\s*(?:>\s*(?P<limit>\d+(?:\.\d+)?)\s*(?:%|/s)?)?\s*",
        text,
    )
    sign = "" if found is None else found["sign"] or BusSign.ERRORS
    if found is None or sign not in list(BusSign):
        raise InputError(where, "errors, load, passive or off of a bus", f'"{text}"', _ADVICE)
    limit = found["limit"]
    if limit is not None and sign in (BusSign.PASSIVE, BusSign.OFF):
        raise InputError(where, "no limit: a bus is passive or off, or is not", f'"{text}"', _ADVICE)
    return BusQuestion(
        sign=BusSign(sign), channel=found["channel"] or None, limit=None if limit is None else float(limit)
    )


def bus_symptoms(
    health: Health,
    asked: BusQuestion,
    names: Callable[[int], str],
    usual_errors_per_min: Callable[[int], float | None] = lambda channel: None,
) -> tuple[Symptom, ...]:
    """Give what was asked for of each bus, whether it showed or not.

    Parameters
    ----------
    health : with the wire's seconds and states
    names : what a channel is called
    usual_errors_per_min : what a healthy recording showed, where the map says so

    Raises
    ------
    InputError : a bus that was not heard, or a load of one whose bit rate nobody gave
    """
    heard = [wire for wire in health.wire if asked.channel in (None, names(wire.channel), str(wire.channel))]
    if not heard and health.wire:
        known = ", ".join(names(wire.channel) for wire in health.wire)
        raise InputError("--symptom", f"one of the buses: {known}", f'"{asked.channel}"', _ADVICE)
    return tuple(_symptom(wire, asked, names(wire.channel), health, usual_errors_per_min) for wire in heard)


def _symptom(
    wire: WireLoad,
    asked: BusQuestion,
    name: str,
    health: Health,
    usual_errors_per_min: Callable[[int], float | None],
) -> Symptom:
    away = [(gap.from_ns, gap.to_ns) for gap in health.gaps if gap.channel in (None, wire.channel)]
    could = without((health.start_ns, max(health.until_ns, health.start_ns + 1)), away)
    match asked.sign:
        case BusSign.ERRORS:
            limit = asked.limit if asked.limit is not None else _limit(usual_errors_per_min(wire.channel))
            what, spans = (
                f"error frames on {name} (more than {limit:g} a second)",
                _over(wire, wire.error_frames > limit),
            )
        case BusSign.LOAD:
            if np.isnan(wire.load).any():
                advice = "Give the bit rate: --machine with its [[bus]], or --bus INTERFACE:CHANNEL@BITRATE."
                raise InputError("--symptom", f"a bus whose bit rate is known for its load, {name}", "none", advice)
            limit = _USUAL_LOAD if asked.limit is None else asked.limit
            what, spans = f"load of {name} (more than {limit:g} %)", _over(wire, 100.0 * wire.load > limit)
        case BusSign.PASSIVE:
            what, spans = f"error passive on {name}", _states(wire, _PASSIVE, could)
        case BusSign.OFF:
            what, spans = f"bus-off on {name}", _states(wire, _OFF, could)
    limit_text = "" if asked.limit is None else f" > {asked.limit:g}"
    return Symptom(
        kind=SymptomKind.BUS,
        name=f"bus:{asked.sign}:{name}{limit_text}",
        text="as the recording adapter tells it",
        controller=None,
        spans=cut_at_restarts(spans, [(a, b if b < health.until_ns else None) for a, b in away], could),
        observable=could,
        latency_ns=_LATENCY_NS,
        failure_kinds=("segment", "connector", "terminator"),
        codes=(what,),
    )


def _limit(usual_per_min: float | None) -> float:
    return _USUAL_ERRORS_HZ if usual_per_min is None else max(_USUAL_ERRORS_HZ, _TIMES_USUAL * usual_per_min / 60.0)


def _over(wire: WireLoad, bad: BoolArray) -> list[ShowingSpan]:
    """Put bad seconds together; where in its second it began is not told."""
    found: list[ShowingSpan] = []
    for k in np.flatnonzero(bad).tolist():
        from_ns = int(wire.second_ns[k])
        if found and from_ns - found[-1].since_ns <= _BRIDGED_NS + (found[-1].still_ns - found[-1].since_ns):
            first = found.pop()
            since_ns, not_yet_ns = first.since_ns, first.not_yet_ns
        else:
            since_ns, not_yet_ns = from_ns + SECOND_NS, from_ns if k else None
        last = k == len(bad) - 1
        found.append(
            ShowingSpan(
                since_ns=since_ns,
                not_yet_ns=not_yet_ns,
                still_ns=from_ns + SECOND_NS,
                gone_ns=None if last else int(wire.second_ns[k + 1]) + SECOND_NS,
            )
        )
    return found


def _states(wire: WireLoad, words: Sequence[str], could: Spans) -> list[ShowingSpan]:
    """Put the adapter's states together: from the word that begins one to the word that ends it."""
    found: list[ShowingSpan] = []
    open_ns: int | None = None
    still_ns = before_ns = 0
    for t_ns, state in wire.error_states:
        if state in words:
            if open_ns is None:
                open_ns = t_ns
                before_ns = next((a for a, b in could if a <= t_ns <= b), t_ns)
            still_ns = t_ns
        elif open_ns is not None and (state in _OVER or (state in _OFF and words is _PASSIVE)):
            found.append(
                ShowingSpan(since_ns=open_ns, not_yet_ns=max(open_ns - 1, before_ns), still_ns=still_ns, gone_ns=t_ns)
            )
            open_ns = None
    if open_ns is not None:
        found.append(
            ShowingSpan(since_ns=open_ns, not_yet_ns=max(open_ns - 1, before_ns), still_ns=still_ns, gone_ns=None)
        )
    return found
