"""Who falls with whom: incidents that belong together, and the feed, segment or controller that they point to.

Several controllers lost at the same instant share a fuse, a ground, a splice or a bus segment; one alone points to its
own plug, its supply, or itself; all at once to the bus, or the recorder's own lead (common practice). Whether they had
restarted when they were back decides between supply and bus.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.health.incident import Incident, IncidentKind
from busdoc.intermittent.groups_evidence import Cause, CauseKind, Cluster, cluster_incidents, list_causes, weigh_causes
from busdoc.isolation.suspects.losses import gather_losses, losses_of
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS
from busdoc.words.counting import by_box, listed, plural, times
from busdoc.words.probability import odds

__all__ = ["Group", "GroupCause", "find_groups", "group_words"]

_WORTH_LISTING = 0.005
_TELLS = 0.8
"""A probability of having restarted beyond this, either way, counts as told."""
_LEAST_CHANCE, _MOST_CHANCE = 1e-7, 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCause:
    """What a group may share, and how sure the record makes us of it."""

    kind: CauseKind
    part: str | None
    """The feed, segment, controller or channel; None: nothing on the map."""
    probability: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Controllers that fall together, or one that falls alone."""

    controllers: tuple[str, ...]
    """Those that fell in at least half of the incidents, in the order of the roll."""
    others: tuple[str, ...]
    """Those that fell in some."""
    incidents: tuple[int, ...]
    """Indices into the incidents that were given, ascending."""
    falls: int
    """How often they fell: restarts over and over, which are one incident, each counted."""
    restarted: int
    kept_running: int
    """Falls after which they had restarted, and had kept running; the rest is not known."""
    together_by_chance: float
    """How many incidents of at least two of them were to be expected had each fallen by itself."""
    causes: tuple[GroupCause, ...]
    """Highest first; what has less than half a per cent is left out."""
    words: str
    boxes: tuple[tuple[str, ...], ...] = ()
    """Which of its controllers are addresses of one box, and fall as one."""
    told: bool = True
    """What it points to is said: not where the parts themselves are told apart."""

    @property
    def members(self) -> list[str]:
        """Its controllers in words, the addresses of a box as one."""
        return by_box(self.controllers, self.boxes)

    @property
    def told_causes(self) -> tuple[GroupCause, ...]:
        """The causes, where they are said."""
        return self.causes if self.told else ()

    @property
    def likeliest(self) -> GroupCause:
        """The cause with the highest probability."""
        return self.causes[0]


def find_groups(
    incidents: Sequence[Incident],
    chosen: Sequence[int],
    machine: Machine,
    controllers: Sequence[tuple[str, int | None]],
    *,
    start_ns: int,
    watched_s: float,
    boxes: Sequence[Sequence[str]] = (),
) -> tuple[Group, ...]:
    """Put incidents into groups and say what each points to.

    Controllers that are addresses of one box have one plug, one supply and one fault: they count as one.

    Parameters
    ----------
    incidents : all of the record
    chosen : indices of those to explain: losses that no action explains
    machine : the map, possibly empty
    controllers : (name, channel) of all that were heard
    start_ns, watched_s : beginning and length of what was watched
    boxes : the names of each

    Returns
    -------
    The group with the most incidents first
    """
    names = tuple(name for name, _ in controllers)
    losses = gather_losses(incidents, names, start_ns)
    wanted = set(chosen)
    # who was the only one on the bus fell neither alone nor together with others
    company = (losses.up | losses.hit).sum(axis=1) > min(1, len(names) - 1)
    rows = [row for row, k in enumerate(losses.incident) if k in wanted and losses.hit[row].any() and company[row]]
    if not rows:
        return ()
    hit, up, p_restarted = losses.hit[rows], losses.up[rows] | losses.hit[rows], losses.p_restarted[rows]
    number = np.array(losses.incident)[rows]
    # of a silent bus nobody was heard, whether their own frames were missed or not
    channel_of = np.array([-1 if channel is None else channel for _, channel in controllers])
    for row, silence in enumerate(incidents[k] for k in number.tolist()):
        if silence.kind is IncidentKind.BUS_SILENCE:
            hit[row] |= up[row] & ((silence.channel is None) | (channel_of == silence.channel))
    units = _units(names, boxes)
    hit, up = (np.stack([one[:, unit].any(axis=1) for unit in units], axis=1) for one in (hit, up))
    firsts = [names[unit[0]] for unit in units]
    window_s = _window_s([incidents[k] for k in number.tolist()])
    chance = np.clip(hit.sum(axis=0) * window_s / max(watched_s, window_s), _LEAST_CHANCE, _MOST_CHANCE)
    causes = list_causes(machine, firsts, [controllers[unit[0]][1] for unit in units])
    n_windows = watched_s / window_s
    return tuple(
        _group(
            cluster,
            [[names[c] for c in unit] for unit in units],
            weigh_causes(cluster, causes, chance),
            _falls([incidents[k] for k in number[list(cluster.rows)].tolist()], p_restarted[list(cluster.rows)]),
            incidents=tuple(sorted(number[list(cluster.rows)].tolist())),
            together_by_chance=n_windows * _pairs(chance[cluster.members]),
        )
        for cluster in cluster_incidents(hit, up, p_restarted, causes, chance)
    )


def _units(names: Sequence[str], boxes: Sequence[Sequence[str]]) -> list[list[int]]:
    """Give the places of what falls as one: the addresses of a box, else each name by itself."""
    box_of = {name: n for n, box in enumerate(boxes) for name in box}
    units: dict[int | str, list[int]] = {}
    for c, name in enumerate(names):
        units.setdefault(box_of.get(name, name), []).append(c)
    return list(units.values())


def _window_s(incidents: Sequence[Incident]) -> float:
    """Give the time in which losses count as one: from the first to the last onset of what fell together."""
    spans = [
        max(loss.onset_ns for loss in losses_of(incident)) - min(loss.last_seen_ns for loss in losses_of(incident))
        for incident in incidents
        if losses_of(incident)
    ]
    return max(float(np.median(spans)) / SECOND_NS if spans else 0.0, 0.05)


def _pairs(chance: Float64Array) -> float:
    """Give the chance that at least two of independent controllers fall in one window: summed over pairs."""
    return (float(chance.sum()) ** 2 - float((chance**2).sum())) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Falls:
    """How often they fell, and how they came back: of restarts over and over each counts."""

    n: int
    restarted: int
    kept_running: int


def _falls(incidents: Sequence[Incident], p_restarted: Float64Array) -> _Falls:
    n, restarted, kept = 0, 0, 0
    for incident, p in zip(incidents, p_restarted.tolist(), strict=True):
        told = [loss.p_restarted for loss in incident.each_restart]
        times_fallen = [0.5 if one is None else one for one in told] or [p]
        n += len(times_fallen)
        restarted += sum(one > _TELLS for one in times_fallen)
        kept += sum(one < 1.0 - _TELLS for one in times_fallen)
    return _Falls(n=n, restarted=restarted, kept_running=kept)


def _group(
    cluster: Cluster,
    units: Sequence[Sequence[str]],
    weighed: tuple[Sequence[Cause], Float64Array],
    falls: _Falls,
    *,
    incidents: tuple[int, ...],
    together_by_chance: float,
) -> Group:
    causes, log_weight = weighed
    members: BoolArray = cluster.members
    fell = [units[u] for u in np.flatnonzero(members).tolist()]
    inside = tuple(name for unit in fell for name in unit)
    boxes = tuple(tuple(unit) for unit in fell if len(unit) > 1)
    probability = np.exp(log_weight - np.logaddexp.reduce(log_weight))
    found = tuple(
        GroupCause(
            kind=causes[j].kind,
            part=causes[j].part,
            probability=float(probability[j]),
            words=_cause_words(causes[j], [unit[0] for unit in fell]),
        )
        for k, j in enumerate(np.argsort(-probability, kind="stable").tolist())
        if k == 0 or probability[j] >= _WORTH_LISTING
    )
    return Group(
        controllers=inside,
        others=tuple(name for u in np.flatnonzero((cluster.fell > 0) & ~members).tolist() for name in units[u]),
        incidents=incidents,
        falls=falls.n,
        restarted=falls.restarted,
        kept_running=falls.kept_running,
        together_by_chance=together_by_chance,
        causes=found,
        words=_group_words(by_box(inside, boxes), falls, found),
        boxes=boxes,
    )


def _cause_words(cause: Cause, members: Sequence[str]) -> str:
    part = cause.part
    match cause.kind:
        case CauseKind.FEED:
            return f"the feed {part}"
        case CauseKind.SEGMENT:
            return f"the bus segment {part}"
        case CauseKind.BUS:
            return f"the whole bus of channel {part}, or the recorder's own lead"
        case CauseKind.CONTROLLER:
            if list(members) == [part]:
                return "its own plug, its own supply wires, or the controller itself"
            return f"{part} by itself (its own plug, its own supply wires, or it), the others by chance"
        case CauseKind.SUPPLY:
            return "a common supply that no map shows: a fuse, a ground or a splice"
        case CauseKind.WIRING:
            return "a common piece of bus wiring that no map shows"
        case CauseKind.CHANCE:
            return "chance: each falls for a reason of its own"


def group_words(group: Group, *, told: bool) -> str:
    """Say who falls, how often and how they come back; and, where that is told, what it points to, without a number."""
    falls = _Falls(n=group.falls, restarted=group.restarted, kept_running=group.kept_running)
    words = _group_words(group.members, falls, ())
    return f"{words[:-1]}: {group.likeliest.words}." if told else words


def _group_words(members: Sequence[str], fallen: _Falls, causes: Sequence[GroupCause]) -> str:
    """Say who falls, how often, how they come back, and what that points to."""
    n, restarted, kept = fallen.n, fallen.restarted, fallen.kept_running
    falls = plural(len(members), "falls alone", "fall together")
    how = ""
    if restarted and not kept:
        how = f", restarted {_of_all(restarted, n)}"
    elif kept and not restarted:
        how = f", kept running {_of_all(kept, n)}"
    elif restarted and kept:
        how = f", restarted {times(restarted)} and kept running {times(kept)}"
    text = f"{listed(members)} {falls} ({times(n)}{how})"
    if not causes:
        return f"{text}."
    first = causes[0]
    text += f": {first.words} ({odds(first.probability)})"
    if len(causes) > 1 and causes[1].probability >= 0.1:
        text += f", else {causes[1].words} ({odds(causes[1].probability)})"
    return f"{text}."


def _of_all(some: int, n: int) -> str:
    """Say how many of all.

    >>> _of_all(1, 1), _of_all(2, 2), _of_all(3, 3), _of_all(1, 3)
    ('then', 'both times', 'each time', '1 of 3 times')
    """
    if some < n:
        return f"{some} of {n} times"
    return plural(n, "then", "both times" if n == 2 else "each time")
