"""The sentences about a fleet, once for the page, the terminal and whoever else tells them."""

import math
from collections.abc import Iterator

from busdoc.many.conclusions.findings import AHEAD_H, Findings, KindFindings, MachineFindings, Ranked
from busdoc.many.statistics.before_after import Change
from busdoc.many.statistics.power_law import Trend
from busdoc.many.statistics.ranking import FOUND_AT
from busdoc.many.statistics.rates import Rate
from busdoc.many.statistics.regression import Effect
from busdoc.words.counting import counted, listed, per_hour, plural, times
from busdoc.words.duration import span

__all__ = [
    "ASSUMPTIONS",
    "METHOD",
    "bunching_words",
    "change_words",
    "effect_words",
    "expected_words",
    "fleet_headline",
    "fleet_state",
    "hours_words",
    "in_100_h",
    "kind_words",
    "look_at",
    "rate_words",
    "summary_words",
    "times_words",
    "together_words",
    "trend_words",
    "typical_words",
    "unchanged_words",
    "worse_parts",
    "worse_words",
]

_FEW = 3
_TELLING = 10
"""A part that fewer than one in so many speak of, as of the first, is no place to look first."""
_MANY_TIMES = 1.5
_SPEAKS = 0.05
_TELLS_NOTHING = 20.0
"""An interval of growth whose limits are so far apart, over one another, holds whatever may be."""
_HOURS = 100.0

METHOD = (
    "Each capture was judged by itself, as busdoc postmortem judges it. Counted are dropouts and restarts that no "
    "recorded action explains. An hour counts where the capture watched and a dropout could have come: not while the "
    "machine was off, a controller was away or was just coming back.",
    "Intervals of a rate are exact for a steady rate (Garwood 1936). Where dropouts come in bunches, within captures "
    "of one machine, the intervals are wider by as much.",
    "What is believed of a machine takes its fellows into account (Gamma-Poisson model, Christiansen and Morris "
    "1997): of which little was seen is taken to be like the others. What is worse than its fellows is "
    "believed itself.",
    "Worse than its fellows is called what counts more often than all of the same kind beside it, by an exact test; "
    "machines, their controllers and the parts of each kind are corrected together, so that of all that is called "
    f"worse at most {FOUND_AT * 100:.0f} % is not, on average (Benjamini and Hochberg 1995).",
    "A trend with age is that of a power law (Crow-AMSAA, MIL-HDBK-189C), given how many dropouts each machine had; a "
    "change is judged by the exact conditional test, machine by machine.",
    "A part is the one that the capture's own verdict names; else the feed or segment that all who fell have in "
    "common and nobody else; else the controller that fell alone.",
)
ASSUMPTIONS = (
    "Captures are taken as they come. Where one is made because a machine was in trouble, that machine looks worse "
    "than it is.",
    "Machines of a kind do the same work. Where one works harder for each hour, that shows as a rate of its own.",
    "What goes with a model year or a software need not come from it; and what was better after a day may have been "
    "better for another reason.",
)


def in_100_h(an_hour: float) -> str:
    """Write a rate as so many in 100 hours.

    >>> in_100_h(0.0312), in_100_h(1.5), in_100_h(math.inf)
    ('3.1', '150', 'any number')
    """
    return "any number" if math.isinf(an_hour) else per_hour(an_hour * _HOURS)


def hours_words(hours: float) -> str:
    """Write so many hours watched.

    >>> hours_words(1234.56), hours_words(0.2), hours_words(0.0)
    ('1,235 h', '12 min', '0 h')
    """
    return f"{hours:,.4g} h" if hours >= 1.0 or hours == 0.0 else span(3600.0 * hours)


def rate_words(rate: Rate) -> str:
    """Write a rate with its interval; where fewer hours were watched than it speaks of, also what it rests on.

    >>> rate_words(Rate(n=6, hours=0.13, low=16.0, high=98.0)), rate_words(Rate(n=6, hours=200.0, low=0.01, high=0.07))
    ('4,615 in 100 h (1,600 to 9,800; 6 in 7 min 48 s)', '3 in 100 h (1 to 7)')
    """
    rests_on = f"; {rate.n} in {span(3600.0 * rate.hours)}" if 0.0 < rate.hours < _HOURS else ""
    return f"{in_100_h(rate.per_hour)} in 100 h ({in_100_h(rate.low)} to {in_100_h(rate.high)}{rests_on})"


def times_words(one: Ranked) -> str:
    """Say how it stands to its fellows."""
    if not one.fellows:
        return "nothing to compare it with"
    if one.times >= _MANY_TIMES:
        return f"{one.times:.1f} times the average"
    return "about the average" if one.times > 1.0 / _MANY_TIMES else f"{one.times:.1f} times the average"


def fleet_state(found: Findings) -> str:
    """Say in a few words how the fleet stands."""
    n = len(found.inspect)
    if n:
        return f"{counted(n, 'machine')} to inspect"
    if worse_parts(found):
        return "Some parts stand out"
    if found.n_compared:
        return "No machine stands out"
    return "Nothing to compare" if found.n_judged else "Nothing could be judged"


def fleet_headline(found: Findings) -> str:
    """Say what the page is about, in a sentence or two."""
    names = [machine.ranked.machine for _, machine in found.inspect]
    if names:
        text = (
            f"{len(names)} of {counted(found.n_compared, 'machine')} {plural(len(names), 'drops', 'drop')} controllers "
            f"more often than {plural(len(names), 'its', 'their')} kind: {listed(names, 5)}."
        )
    elif found.n_compared:
        text = f"None of {counted(found.n_compared, 'machine')} drops controllers more often than its kind."
    elif found.n_judged:
        text = "No machine has another of its kind that it could be compared with."
    else:
        return "None of the captures could be judged."
    parts = [f"{part.name} ({kind.name})" for kind, part in worse_parts(found)]
    if parts:
        text += f" More often than its fellows on many machines: {listed(parts, 4)}."
    alone = found.n_machines - found.n_compared
    if found.n_compared and alone:
        text += f" {counted(alone, 'machine')} could not be compared."
    return text


def kind_words(kind: KindFindings) -> str:
    """Name a kind of machine."""
    return kind.name or "Kind not known"


def typical_words(kind: KindFindings) -> str:
    """Say how often a machine of a kind drops, or why nothing can be said of the kind."""
    if not kind.name:
        return (
            f"Nobody says of what kind {plural(len(kind.machines), 'this machine is', 'these machines are')}, so "
            f"{plural(len(kind.machines), 'it is', 'they are')} not compared. A machine map with a name says it, or "
            "the column kind of a manifest."
        )
    if kind.typical is None:
        return f"All together {rate_words(kind.rate)}."
    mean, low, high = kind.typical
    return f"A machine drops {in_100_h(mean)} times in 100 h on average ({in_100_h(low)} to {in_100_h(high)})."


def worse_parts(found: Findings) -> list[tuple[KindFindings, Ranked]]:
    """Give the controllers and parts that drop more often than their fellows over a whole kind."""
    return [(kind, one) for kind in found.kinds for one in (*kind.parts, *kind.controllers) if one.worse]


def summary_words(found: Findings) -> str:
    """Say how much was gone through."""
    n_kinds = sum(bool(kind.name) for kind in found.kinds)
    kinds = [counted(n_kinds, "kind")] if n_kinds else []
    kinds += [f"{found.n_of_no_kind:,} of no known kind"] if found.n_of_no_kind else []
    text = (
        f"{counted(found.n_captures, 'capture')} of {counted(found.n_machines, 'machine')}, "
        f"{listed(kinds)}; {hours_words(found.hours)} watched, "
        f"{counted(sum(kind.rate.n for kind in found.kinds), 'dropout')}."
    )
    left = found.n_captures - found.n_judged
    return f"{text} {counted(left, 'capture')} could not be judged." if left else text


def worse_words(machine: MachineFindings) -> str:
    """Say why a machine is to be inspected."""
    one = machine.ranked
    if one.worse:
        return f"{rate_words(one.rate)}, {times_words(one)}"
    own = next(rank for rank in machine.controllers if rank.worse)
    return f"its {own.name}: {rate_words(own.rate)}, {times_words(own)}"


def look_at(machine: MachineFindings) -> str:
    """Say where to look first on a machine: the parts that its dropouts speak of, else those who dropped."""
    total = machine.ranked.rate.n
    if machine.parts:
        telling = [one for one in machine.parts if _TELLING * one[2] >= machine.parts[0][2]]
        shown = [f"{name} ({n} of {total})" for name, _, n in telling[:_FEW]]
        return listed(shown)
    return listed([f"{one.name} ({one.rate.n})" for one in machine.controllers[:_FEW]]) or "nothing yet"


def expected_words(machine: MachineFindings) -> str:
    """Say what is to be expected of the hours ahead."""
    if machine.expected is None:
        return "nobody can tell"
    low, high = machine.expected
    return f"{low:,} to {high:,} in {AHEAD_H:.0f} h"


def trend_words(trend: Trend | None, *, by_meter: bool) -> str:
    """Say whether it is getting worse with age."""
    if trend is None or (trend.p > _SPEAKS and trend.high > _TELLS_NOTHING * trend.low):
        return "There are too few dropouts, or ages, to tell a trend."
    age = "hour meter" if by_meter else "time since each machine's first capture"
    span = f"growth {trend.growth:.2f} ({trend.low:.2f} to {trend.high:.2f}), 1 is steady; age by the {age}"
    if trend.p > _SPEAKS:
        return f"No trend with age is shown: {span}."
    return f"It is getting {'worse' if trend.growth > 1.0 else 'better'} with age: {span}."


def change_words(change: Change | None, day: str) -> str | None:
    """Say whether a change helped; None where there was none."""
    if change is None:
        return None
    when = f"on {day}" if day else "of each machine"
    ratio = "infinitely" if math.isinf(change.ratio) else f"{change.ratio:.2g}"
    high = "any number" if math.isinf(change.high) else f"{change.high:.2g}"
    counts = (
        f"{change.n_before:,} in {change.h_before:,.4g} h before, {change.n_after:,} in {change.h_after:,.4g} h after, "
        f"on {counted(change.machines, 'machine')} watched at both times"
    )
    if change.p > _SPEAKS:
        found = f"The change {when} shows no effect: {ratio} times as many an hour ({change.low:.2g} to {high})"
    elif change.ratio < 1.0:
        found = f"After the change {when} there were fewer: {ratio} times as many an hour ({change.low:.2g} to {high})"
    else:
        found = f"After the change {when} there were more: {ratio} times as many an hour ({change.low:.2g} to {high})"
    return f"{found}; {counts}."


def unchanged_words(unchanged: Change | None) -> str | None:
    """Say what happened meanwhile where nothing was changed; None where nothing is known of it."""
    if unchanged is None:
        return None
    high = "any number" if math.isinf(unchanged.high) else f"{unchanged.high:.2g}"
    ratio = "infinitely" if math.isinf(unchanged.ratio) else f"{unchanged.ratio:.2g}"
    return (
        f"Meanwhile on {counted(unchanged.machines, 'machine')} that {plural(unchanged.machines, 'was', 'were')} not "
        f"changed: {ratio} times as many an hour ({unchanged.low:.2g} to {high})."
    )


def effect_words(effect: Effect) -> str:
    """Say what a value of a column goes with."""
    what = f"{effect.column} {effect.value}" + (f" against {effect.against}" if effect.against else "")
    shown = "" if effect.p <= _SPEAKS else ", which may be chance"
    return f"{what}: {effect.ratio:.2g} times as many an hour ({effect.low:.2g} to {effect.high:.2g}){shown}"


def together_words(kind: KindFindings) -> Iterator[str]:
    """Say who falls with whom."""
    for group, shared in kind.together:
        every = plural(len(group.controllers) - 1, "both", "all")
        text = (
            f"{listed(group.controllers)} fell together {times(group.n)}, of {listed(group.of)} dropouts, "
            f"on {counted(group.machines, 'machine')}"
        )
        if shared is None:
            yield f"{text}."
        else:
            yield (
                f"{text}; {every} hang on {shared}."
                if shared
                else f"{text}; the map shows nothing that {every} hang on."
            )


def bunching_words(kind: KindFindings) -> str | None:
    """Say that dropouts come in bunches; None where they do not."""
    if kind.bunching < 1.2:
        return None
    return (
        f"Dropouts come in bunches: the captures of one machine differ {kind.bunching:.1f} times as much as chance has "
        "it. Intervals and tests allow for that."
    )
