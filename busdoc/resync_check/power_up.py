"""Power-ups found: from what somebody or a signal says, and from controllers that were all silent and came back."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.resync_check.records import FoundBy, PowerUp, Switched, Zero
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["Group", "Opening", "find_power_ups", "is_sign_of"]

_SHORTEST_OFF_NS = SECOND_NS
"""A hand does not switch off and on faster; a dip of the supply is no power-up (common practice)."""
_SLACK_NS = 2 * SECOND_NS
"""People press that much before or after, beside the uncertainty that they admit."""
_FRESH_NS = 500 * MILLISECOND_NS
"""A controller announces itself so soon after its first frame, or with it."""
_LATE_NS = 300 * MILLISECOND_NS
_START_NS = 30 * SECOND_NS
"""Starting takes no longer (common practice)."""
_FEW = 0.25
_MOST = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Controllers that get their supply together."""

    feed: str | None
    """None: the whole machine."""
    controllers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """How the machine stood when the capture began."""

    starting: bool
    """False: it was on already."""
    whole: bool
    """The capture shows the start from its first frame."""


def find_power_ups(
    controllers: Sequence[ControllerHealth],
    groups: Sequence[Group],
    switched: Sequence[Switched],
    incidents: Sequence[Incident],
    signs: Sequence[Sign],
    start_ns: int,
    until_ns: int,
    *,
    listened_from_ns: int | None = None,
) -> tuple[Opening, tuple[PowerUp, ...]]:
    """Find every power-up, ascending by time.

    Parameters
    ----------
    controllers : what the capture showed of each
    groups : the whole machine first, then its feeds
    switched : what the journal or a signal says
    incidents : tell an unplugged lead, beyond which everybody ran on, from a power-up
    signs : by which controllers announce that they have started
    start_ns, until_ns : the capture
    listened_from_ns : since when was listened, where that was before the first frame: a silence before it was heard
    """
    by_name = {one.name: one for one in controllers if _is_followed(one)}
    opening = _opening(list(by_name.values()), signs, start_ns)
    heard_silence = listened_from_ns is not None and start_ns - listened_from_ns >= _SHORTEST_OFF_NS
    if heard_silence:
        opening = Opening(starting=True, whole=True)
    stretches: list[tuple[Group, int, int | None]] = []
    for group in groups:
        members = [by_name[name] for name in group.controllers if name in by_name]
        if not members:
            continue
        alone = group.feed is not None and len(members) < 2
        for low_ns, high_ns in _all_away(members, start_ns, until_ns):
            if alone and _said(switched, group, low_ns, high_ns) is None:
                continue  # one controller alone may as well have crashed
            if opening.starting and group.feed is not None and low_ns <= start_ns:
                continue  # it starts with the machine
            if not any(_same(low_ns, high_ns, from_ns, to_ns) for _, from_ns, to_ns in stretches):
                stretches.append((group, low_ns, high_ns if high_ns < until_ns else None))
    ends_ns = sorted(from_ns for _, from_ns, _ in stretches if from_ns > start_ns)
    power_ups = []
    told = list(switched)
    for group, from_ns, to_ns in stretches:
        said = _said(told, group, from_ns, until_ns if to_ns is None else to_ns)
        alone = group.feed is not None and sum(name in by_name for name in group.controllers) < 2
        if said is not None:
            told.remove(said)
        elif to_ns is None or alone or _ran_on(incidents, from_ns, to_ns):
            continue
        power_ups.append(_power_up(group, from_ns, to_ns, said, ends_ns, start_ns, until_ns))
    if opening.starting and by_name:
        first = _first(groups, opening, told, ends_ns, start_ns, until_ns)
        if heard_silence and first.found_by is FoundBy.OPENING:
            first = replace(first, found_by=FoundBy.TRAFFIC)
        power_ups.append(first)
    return opening, tuple(sorted(power_ups, key=lambda one: one.time_ns if one.zero_ns is None else one.zero_ns))


def _is_followed(one: ControllerHealth) -> bool:
    return one.first_ns is not None and any(stream.cyclic for stream in one.streams)


def _all_away(members: Iterable[ControllerHealth], start_ns: int, until_ns: int) -> list[tuple[int, int]]:
    """Give the stretches in which none of the controllers was heard, long enough for a switch."""
    common = [(start_ns, until_ns)]
    for one in members:
        first_ns = one.first_ns if one.first_ns is not None else until_ns
        away = [*(span for span in one.absences if span[0] >= first_ns), (start_ns, first_ns)]
        common = [
            (max(low, from_ns), min(high, to_ns))
            for low, high in common
            for from_ns, to_ns in sorted(away)
            if max(low, from_ns) < min(high, to_ns)
        ]
    return [(low, high) for low, high in common if high - low >= _SHORTEST_OFF_NS]


def _same(low_ns: int, high_ns: int, from_ns: int, to_ns: int | None) -> bool:
    """Tell whether a feed's silence, the first two, is the machine's."""
    return low_ns <= from_ns + _SHORTEST_OFF_NS and from_ns < high_ns and (to_ns is None or high_ns >= to_ns)


def _said(switched: Sequence[Switched], group: Group, from_ns: int, to_ns: int) -> Switched | None:
    """Find what was said of a silence: the switch nearest to its end."""
    fitting = [
        one
        for one in switched
        if from_ns - _SLACK_NS - 3 * one.uncertainty_ns <= one.time_ns <= to_ns + _SLACK_NS + 3 * one.uncertainty_ns
        and (one.feed is None or group.feed is None or set(one.controllers) & set(group.controllers))
    ]
    return min(fitting, key=lambda one: abs(one.time_ns - to_ns)) if fitting else None


def _ran_on(incidents: Sequence[Incident], from_ns: int, to_ns: int) -> bool:
    """Tell whether most controllers kept running meanwhile: only the bus, or the laptop's lead, was silent."""
    votes = [
        loss.ran_on
        for incident in incidents
        if incident.kind in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)
        for loss in incident.losses
        if loss.last_seen_ns <= from_ns + _SHORTEST_OFF_NS and loss.back_ns is not None and loss.back_ns >= to_ns
    ]
    return votes.count(RanOn.KEPT_RUNNING) > votes.count(RanOn.RESTARTED)


def _power_up(
    group: Group,
    from_ns: int,
    to_ns: int | None,
    said: Switched | None,
    ends_ns: Sequence[int],
    start_ns: int,
    until_ns: int,
) -> PowerUp:
    zero_ns = to_ns
    zero = Zero.FIRST_FRAME
    if said is not None and not said.off_and_on:
        zero = Zero.SIGNAL if said.found_by is FoundBy.SIGNAL else Zero.PRESS
    told = said is not None and (zero is not Zero.FIRST_FRAME or to_ns is None)
    time_ns = said.time_ns if said is not None and told else to_ns if to_ns is not None else until_ns
    end_ns = next((end for end in ends_ns if zero_ns is not None and end > zero_ns), until_ns)
    return PowerUp(
        time_ns=time_ns,
        zero_ns=zero_ns,
        off_ns=from_ns if from_ns > start_ns else None,
        until_ns=end_ns,
        ends_capture=end_ns == until_ns,
        feed=group.feed,
        controllers=group.controllers,
        found_by=FoundBy.TRAFFIC if said is None else said.found_by,
        zero=zero,
        uncertainty_ns=said.uncertainty_ns if said is not None and told else 0,
    )


def is_sign_of(sign: Sign, one: ControllerHealth) -> bool:
    """Tell whether a controller announced itself by this frame, unasked."""
    if sign.asked or sign.kind in (SignKind.HEARTBEAT_LAST, SignKind.CANNOT_CLAIM) or sign.channel != one.channel:
        return False
    identity = one.identity
    if sign.address is not None:
        return sign.address == identity.address
    return sign.node_id is not None and sign.node_id == identity.node_id


def _opening(members: Sequence[ControllerHealth], signs: Sequence[Sign], start_ns: int) -> Opening:
    """Tell a machine that was on from one that was starting when the capture began."""
    firsts: Mapping[str, int] = {one.name: one.first_ns for one in members if one.first_ns is not None}
    early = [sign for sign in signs if sign.t_ns <= start_ns + _START_NS]
    announced = {
        one.name
        for one in members
        for sign in early
        if is_sign_of(sign, one) and abs(sign.t_ns - firsts[one.name]) <= _FRESH_NS
    }
    late = [one for one in members if _LATE_NS + _due_ns(one) < firsts[one.name] - start_ns <= _START_NS]
    starting = bool(members) and (len(announced) >= _MOST * len(members) or len(late) >= max(1.0, _FEW * len(members)))
    at_once = [one for one in members if firsts[one.name] - start_ns <= _LATE_NS + _due_ns(one)]
    silent_start = [one for one in at_once if not _has_claimed(one, early)]  # such a one was talking before
    first = min(members, key=lambda one: firsts[one.name], default=None)
    whole = starting and first is not None and first.name in announced and not silent_start
    return Opening(starting=starting, whole=whole)


def _has_claimed(one: ControllerHealth, signs: Sequence[Sign]) -> bool:
    """Tell whether a controller said who it is, asked or not."""
    return any(is_sign_of(replace(sign, asked=False), one) for sign in signs)


def _due_ns(one: ControllerHealth) -> int:
    return min(stream.deadline_ns for stream in one.streams if stream.deadline_ns is not None)


def _first(
    groups: Sequence[Group],
    opening: Opening,
    told: Sequence[Switched],
    ends_ns: Sequence[int],
    start_ns: int,
    until_ns: int,
) -> PowerUp:
    """Make a power-up of the start of the capture; a switch that was told just before shows it whole."""
    said = _said(told, groups[0], start_ns, start_ns)
    made = _power_up(groups[0], start_ns, start_ns, said, ends_ns, start_ns, until_ns)
    whole = opening.whole or said is not None
    return replace(made, found_by=FoundBy.OPENING if said is None else said.found_by, whole=whole)
