"""One thing that goes before dropouts, an event or the value of a signal, in one form for both.

Events and signals are tried together, so their p-values are corrected together, and they are ranked by the same
measure: the share of the dropouts that they explain beyond what chance would.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.intermittent.dropouts import Dropouts
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.coincidence import at_least
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource
from busdoc.times import SECOND_NS

__all__ = [
    "Finding",
    "Lags",
    "Tried",
    "Trigger",
    "finding_of_event",
    "finding_of_value",
    "lags_of",
    "preceded_by",
    "rank",
    "set_aside",
]

_SHOWN_WINDOWS = 4.0
"""Lags are shown up to so many windows: what is beyond is what chance makes."""
_NOTHING_LEFT = 0.05
"""An event whose share of the dropouts that another leaves has a p beyond this has nothing of its own to explain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """How often an event is followed by a dropout."""

    share: float
    by_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that goes before dropouts."""

    name: str
    """What: the event in words, or the signal with its feature."""
    subject: str
    """The same as the subject of a sentence: ``the event "Boom.Raised became 1 (on)"``, ``Engine.OilTemperature``."""
    signal: str | None
    """`Message.Signal`; None where it is none (a command, a code, a mark, the bus itself)."""
    controllers: tuple[str, ...]
    """Whose dropouts; empty: anybody's."""
    p: float
    p_holm: float
    """Corrected over everything that was tried (Holm 1979): the chance of even one false finding."""
    q_bh: float
    """Corrected likewise (Benjamini & Hochberg 1995): the expected share of false ones among those as good."""
    explained: float
    """Share of the dropouts that it goes before, beyond chance: 1 all of them, 0 none."""
    words: str
    trigger: Trigger | None = None
    """None: not an event."""
    said_by: str | None = None
    """The controller that the event is known from; None: nobody, or nobody known."""
    can_be_provoked: bool = False
    """Somebody could make the event happen: a switch, a state, a command; not a code, nor a controller's return."""
    is_voltage: bool = False
    beside: str | None = None
    """A stronger finding that goes before the same dropouts and leaves this one nothing to explain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """How much was tried, which every p-value pays for."""

    kinds: int
    """Kinds of events."""
    signals: int
    """Signals whose values were looked at, the bus itself counted as some."""
    tests: int
    """Questions in all, over every group of controllers."""
    left_out: tuple[str, ...] = ()
    """What could not be tried, and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lags:
    """How long before each dropout an event of a kind last was, for the picture."""

    name: str
    window_s: float
    lag_s: tuple[float, ...]
    """Of the dropouts that have one within `shown_s`, ascending."""
    n_dropouts: int
    shown_s: float
    by_chance: float
    """Dropouts to be expected in the window by chance."""


def finding_of_event(one: Antecedent) -> Finding:
    """Put an antecedent in the common form."""
    return Finding(
        name=one.name,
        subject=one.subject,
        signal=one.signal,
        controllers=one.controllers,
        p=one.p,
        p_holm=one.p_holm,
        q_bh=one.q_bh,
        explained=one.explained,
        words=one.words,
        trigger=Trigger(share=one.trigger_rate, by_chance=min(one.trigger_by_chance, 1.0)),
        said_by=one.controller,
        can_be_provoked=one.source in (EventSource.SIGNAL, EventSource.COMMAND, EventSource.JOURNAL),
    )


def finding_of_value(one: Covariate) -> Finding:
    """Put a covariate in the common form."""
    return Finding(
        name=one.name,
        subject=one.subject,
        signal=one.signal,
        controllers=one.controllers,
        p=one.p,
        p_holm=one.p_holm,
        q_bh=one.q_bh,
        explained=one.explained,
        words=one.words if one.words.endswith(".") else f"{one.words}.",
        is_voltage=one.is_voltage,
    )


def rank(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Put findings in order: what explains most of the dropouts first; each thing once, for whom it explains most."""
    ordered = sorted(findings, key=lambda one: (-round(one.explained, 3), one.p, one.name))
    return tuple({one.name: one for one in reversed(ordered)}[name] for name in dict.fromkeys(o.name for o in ordered))


def set_aside(
    findings: Sequence[Finding], preceded: Mapping[tuple[str, tuple[str, ...]], tuple[BoolArray, float]]
) -> tuple[Finding, ...]:
    """Mark the events that a stronger one leaves nothing to explain: a switch that goes off soon after it went on.

    Parameters
    ----------
    findings : ranked
    preceded : (name, whose dropouts) -> the dropouts that such an event comes before, and the share by chance

    Returns
    -------
    Those that stand on their own first, in their order, then those set aside
    """
    standing: list[Finding] = []
    aside: list[Finding] = []
    for one in findings:
        key = (one.name, one.controllers)
        leader = next((s for s in standing if _leaves_nothing(preceded, (s.name, s.controllers), key)), None)
        if leader is None:
            standing.append(one)
        else:
            aside.append(replace(one, beside=leader.name))
    return (*standing, *aside)


def _leaves_nothing(
    preceded: Mapping[tuple[str, tuple[str, ...]], tuple[BoolArray, float]],
    strong: tuple[str, tuple[str, ...]],
    weak: tuple[str, tuple[str, ...]],
) -> bool:
    """Tell whether among the dropouts without the stronger event the weaker one comes no more often than by chance."""
    if strong not in preceded or weak not in preceded or strong[1] != weak[1]:
        return False
    (first, _), (second, by_chance) = preceded[strong], preceded[weak]
    rest = ~first
    return float(at_least(int((second & rest).sum()), int(rest.sum()), by_chance)) > _NOTHING_LEFT


def preceded_by(one: Antecedent, kind: EventKind, dropouts: Dropouts) -> BoolArray:
    """(n,) Mark the dropouts that such an event comes before."""
    lag_s, has_one = _lags_s(kind, dropouts)
    return np.asarray(has_one & (lag_s <= one.window_s))


def lags_of(one: Antecedent, kind: EventKind, dropouts: Dropouts) -> Lags:
    """Measure how long before each dropout the last event of a kind was."""
    lag_s, has_one = _lags_s(kind, dropouts)
    lag_s = lag_s[has_one]
    shown_s = _SHOWN_WINDOWS * one.window_s
    return Lags(
        name=one.name,
        window_s=one.window_s,
        lag_s=tuple(np.sort(lag_s[lag_s <= shown_s]).tolist()),
        n_dropouts=len(dropouts),
        shown_s=shown_s,
        by_chance=one.expected_by_chance,
    )


def _lags_s(kind: EventKind, dropouts: Dropouts) -> tuple[Float64Array, BoolArray]:
    """(n,), (n,) Give the time from the last event to the middle of what brackets each loss, and where there is one."""
    moment_ns = dropouts.last_seen_ns + (dropouts.onset_ns - dropouts.last_seen_ns) // 2
    before = np.searchsorted(kind.t_ns, dropouts.onset_ns, side="right")
    last_ns = np.concatenate((np.zeros(1, np.int64), kind.t_ns))[before]
    return np.maximum(moment_ns - last_ns, 0) / SECOND_NS, np.asarray(before > 0)
