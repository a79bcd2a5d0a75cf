"""Recognises what machines do when nothing is wrong, and takes it out of the incidents that need an explanation.

An engine start takes some controllers away for a second or two while the starter turns; at key-off they leave one after
another, some much later; a machine that was switched off and on again, or whose bus slept, left in an order and came
back. A failing supply takes all that hang on it within its hold-up time, and a cut bus at once: neither leaves order.
What the traffic does not tell apart stays what it was.
"""

from collections.abc import Sequence
from dataclasses import replace

from busdoc.health.controller import ControllerHealth, ControllerState
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.phases.engine import Engine, EngineState
from busdoc.health.phases.joins import find_joins
from busdoc.health.phases.loss_spans import FALLS, LossSpan, gathered, losses_in, taken_out
from busdoc.health.phases.recorder_pauses import without_recorder_pauses
from busdoc.health.phases.tools import is_tool
from busdoc.health.summary import Health
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["recognised"]

_BEFORE_TURNING_NS = SECOND_NS
"""The starter draws its current before the first speed is told: supply dips up to so long before (common practice)."""
_AFTER_START_NS = 2 * SECOND_NS
"""The starter lets go, and supplies recover, so long after the engine runs by itself (common practice)."""
_LONGEST_DIP_NS = 5 * SECOND_NS
"""A controller that a crank took is back sooner (common practice: 1 to 2 s, and its own start)."""
_ORDER_NS = 500 * MILLISECOND_NS
"""Longer than supplies hold up (common practice: 20 to 300 ms): who left so much later did not lose the same supply."""
_HOLD_UP_NS = 300 * MILLISECOND_NS
_KEY_OFF_NS = 3 * SECOND_NS
"""From key-off until the engine is below idle (common practice)."""
_AFTERRUN_NS = 90 * SECOND_NS
"""Controllers that save and cool down go so long after key-off (common practice: a second to a minute)."""
_MOST = 2 / 3
"""Share of the controllers that a power-down takes at the least, where no engine tells."""
_WAVE_NS = SECOND_NS
_FEWEST_IN_WAVE = 3
_KEY_ON_NS = 10 * SECOND_NS
"""From key-on to the start (common practice)."""
_NOT_TURNED = "the engine's own speed stayed at zero"
_LONGEST_PAUSE_NS = SECOND_NS
"""Who changes its mode as the machine is switched on pauses for no longer (common practice)."""


def recognised(health: Health, engine: Engine, *, power_told: bool) -> Health:
    """Give the same health with normal life told apart.

    Parameters
    ----------
    health : as judged
    engine : of the machine, empty where nothing is known of one
    power_told : somebody wrote down when power was switched, which says more than the traffic can
    """
    given, health = health, without_recorder_pauses(health)
    incidents = _without_tools(list(health.incidents), health.controllers)
    incidents = _with_cranks(incidents, engine)
    incidents = _with_tried_starts(incidents, health, engine)
    incidents = _with_power_ups(incidents, health)
    off: set[str] = set()
    if not power_told:
        incidents = _with_power_cycles(incidents, health)
        incidents, off = _with_power_down(incidents, health, engine)
    if incidents == list(given.incidents):
        return health
    incidents.sort(key=lambda one: (one.onset_ns, one.controllers, one.kind))
    controllers = tuple(_recounted(one, incidents, off) for one in health.controllers)
    return replace(health, incidents=tuple(incidents), controllers=controllers)


def _recounted(one: ControllerHealth, incidents: Sequence[Incident], off: set[str]) -> ControllerHealth:
    """Count the dropouts that are left; who left with the machine is off, not lost."""
    dropouts = sum(
        loss.controller == one.name
        for incident in incidents
        if incident.kind is IncidentKind.DROPOUT
        for loss in incident.losses
    )
    state = ControllerState.OFF if one.name in off and one.state is ControllerState.LOST else one.state
    return replace(one, dropouts=min(one.dropouts, dropouts), state=state)


def _without_tools(incidents: list[Incident], controllers: Sequence[ControllerHealth]) -> list[Incident]:
    """Leave out that a tool went: nobody's controller."""
    tools = {one.name for one in controllers if is_tool(one)}
    spans = [span for span in losses_in(incidents, (*FALLS, IncidentKind.LATE)) if span.loss.controller in tools]
    return taken_out(incidents, spans) if spans else incidents


def _with_cranks(incidents: list[Incident], engine: Engine) -> list[Incident]:
    """Make one incident of each engine start: who was away while the starter turned, and came back anew."""
    for turns_ns, runs_ns in engine.starts():
        from_ns, to_ns = turns_ns - _BEFORE_TURNING_NS, runs_ns + _AFTER_START_NS
        spans = [
            span
            for span in losses_in(incidents, (*FALLS, IncidentKind.LATE))
            if from_ns <= _began_ns(span) <= to_ns
            and span.loss.back_ns is not None
            and span.loss.back_ns - span.loss.last_seen_ns <= _LONGEST_DIP_NS
            and not span.ran_on
            and (span.incident.kind is not IncidentKind.BUS_SILENCE or span.loss.ran_on is RanOn.RESTARTED)
        ]
        if any(span.incident.kind in FALLS for span in spans):
            incidents = [*taken_out(incidents, spans), gathered(IncidentKind.CRANK, spans)]
    return incidents


def _with_tried_starts(incidents: list[Incident], health: Health, engine: Engine) -> list[Incident]:
    """Make one incident of each time that the key was turned to start, and the engine did not turn.

    Soon after the machine was switched on, while its engine told that it stood, most controllers went away at once and
    came back anew at once. A fuse takes the few that hang on it, and a supply that is bad does it at other times too.
    """
    for episode in _episodes(losses_in(incidents, (IncidentKind.DROPOUT,))):
        began_ns = episode[0].loss.last_seen_ns
        if engine.at(began_ns) is not EngineState.STANDS or began_ns - health.start_ns > _KEY_ON_NS:
            continue
        with_it = [span for span in episode if span.loss.last_seen_ns - began_ns <= _HOLD_UP_NS]
        back = [span for span in with_it if span.loss.back_ns is not None and span.loss.ran_on is RanOn.RESTARTED]
        dipped = [span for span in back if _ORDER_NS < _dip_ns(span) <= _LONGEST_DIP_NS]
        gone = {span.loss.controller for span in with_it}
        if len(dipped) > 1 and 2 * len(gone) > len(_present(health, began_ns)):
            incidents = [*taken_out(incidents, dipped), gathered(IncidentKind.CRANK, dipped, (_NOT_TURNED,))]
    return incidents


def _dip_ns(span: LossSpan) -> int:
    return (span.loss.back_ns or span.loss.last_seen_ns) - span.loss.last_seen_ns


def _with_power_ups(incidents: list[Incident], health: Health) -> list[Incident]:
    """Make one incident of those that paused while more of the machine was switched on."""
    for join in find_joins(health):
        if len(join.controllers) < _FEWEST_IN_WAVE:
            continue
        paused = [
            span
            for span in losses_in(incidents, (*FALLS, IncidentKind.LATE))
            if span.loss.back_ns is not None
            and span.loss.back_ns - span.loss.last_seen_ns <= _LONGEST_PAUSE_NS
            and join.from_ns - _ORDER_NS <= _began_ns(span) <= join.to_ns + _ORDER_NS
            and span.loss.controller not in join.controllers
        ]
        if paused:
            incidents = [*taken_out(incidents, paused), gathered(IncidentKind.POWER_UP, paused)]
    return incidents


def _began_ns(span: LossSpan) -> int:
    """Give the middle of the time in which a controller, or a stream of it, fell silent."""
    return (span.loss.last_seen_ns + max(span.loss.onset_ns, span.loss.last_seen_ns)) // 2


def _with_power_cycles(incidents: list[Incident], health: Health) -> list[Incident]:
    """Make one incident of each time that everybody left, in an order, and came back.

    Who fell before most did fell by itself, and is left as it was.
    """
    for episode in _episodes(losses_in(incidents)):
        if any(span.loss.back_ns is None or span.ran_on for span in episode):
            continue
        names = {span.loss.controller for span in episode}
        present = _present(health, min(span.loss.last_seen_ns for span in episode))
        left = _left_in_order(episode)
        if len(names) > 1 and present <= names and left:
            incidents = [*taken_out(incidents, left), gathered(IncidentKind.POWER_CYCLE, left)]
    return incidents


def _episodes(spans: Sequence[LossSpan]) -> list[list[LossSpan]]:
    """Put losses together that overlap in time."""
    episodes: list[list[LossSpan]] = []
    end_ns: int | None = 0
    for span in sorted(spans, key=lambda one: one.loss.last_seen_ns):
        back_ns = span.loss.back_ns
        if episodes and (end_ns is None or span.loss.last_seen_ns < end_ns):
            episodes[-1].append(span)
            end_ns = None if end_ns is None or back_ns is None else max(end_ns, back_ns)
        else:
            episodes.append([span])
            end_ns = back_ns
    return episodes


def _present(health: Health, at_ns: int) -> set[str]:
    """Name the controllers whose silence would show, tools left out, that were on the bus at an instant."""
    return {
        one.name
        for one in health.controllers
        if one.first_ns is not None
        and one.first_ns <= at_ns
        and not is_tool(one)
        and any(stream.cyclic for stream in one.streams)
        and not any(from_ns < at_ns < to_ns for from_ns, to_ns in one.absences)
    }


def _left_in_order(spans: Sequence[LossSpan]) -> list[LossSpan]:
    """Give the losses that most controllers at once began, if somebody was still heard long after; else nothing.

    A supply or a bus that fails takes all at once; who goes on for a while had power, and was let go by whoever
    switched off. One that fell before the others says nothing of either, and is left out.
    """
    firsts: dict[str, LossSpan] = {}
    for span in sorted(spans, key=lambda one: one.loss.last_seen_ns):
        firsts.setdefault(span.loss.controller, span)
    leavers = list(firsts.values())
    most = max(leavers, key=lambda one: (*_n_with(one, leavers), -one.loss.last_seen_ns))
    last_ns = max(span.loss.last_seen_ns for span in leavers)
    if last_ns - max(most.loss.onset_ns, most.loss.last_seen_ns) < _ORDER_NS:
        return []
    return [span for span in spans if span.loss.last_seen_ns >= most.loss.last_seen_ns]


def _n_with(one: LossSpan, leavers: Sequence[LossSpan]) -> tuple[int, int]:
    """Count those that left with one or within the hold-up time after it, and within seconds."""
    after_ns = [other.loss.last_seen_ns - one.loss.last_seen_ns for other in leavers]
    return sum(0 <= at <= _HOLD_UP_NS for at in after_ns), sum(0 <= at <= _KEY_OFF_NS for at in after_ns)


def _with_power_down(incidents: list[Incident], health: Health, engine: Engine) -> tuple[list[Incident], set[str]]:
    """Make one incident of the machine's being switched off at the end; gives who is off, too."""
    found = _after_engine_stop(incidents, engine) or _left_for_good(incidents, health, engine)
    found = [span for span in found if not _missed_a_return(span, losses_in(incidents))]
    if not found:
        return incidents, set()
    off = {span.loss.controller for span in found if span.loss.back_ns is None}
    # who leaves may stop and go on once more while the others leave
    from_ns, to_ns = (pick(span.loss.last_seen_ns for span in found) for pick in (min, max))
    taken = {span.key for span in found}
    found += [
        span
        for span in losses_in(incidents)
        if span.loss.controller in off and span.key not in taken and from_ns <= span.loss.last_seen_ns <= to_ns
    ]
    return [*taken_out(incidents, found), gathered(IncidentKind.POWER_DOWN, found)], off


def _after_engine_stop(incidents: Sequence[Incident], engine: Engine) -> list[LossSpan]:
    """Give the losses that go with the last stop of the engine, which told its own speed until it stood."""
    stops = engine.stops()
    if not stops or EngineState.RUNS in engine.states[engine.t_ns.index(stops[-1]) :]:
        return []
    from_ns, to_ns = stops[-1] - _KEY_OFF_NS, stops[-1] + _AFTERRUN_NS
    return [span for span in losses_in(incidents) if from_ns <= _began_ns(span) <= to_ns and not span.ran_on]


def _left_for_good(incidents: Sequence[Incident], health: Health, engine: Engine) -> list[LossSpan]:
    """Give the losses of a machine that fell quiet for good: most of it, in an order, and no engine ran meanwhile."""
    gone = sorted(
        (span for span in losses_in(incidents) if span.loss.back_ns is None), key=lambda one: one.loss.last_seen_ns
    )
    if not gone or engine.at(gone[0].loss.onset_ns) is EngineState.RUNS:
        return []
    left = _left_in_order(gone)
    if left:
        present = _present(health, left[0].loss.last_seen_ns)
        return left if len({span.loss.controller for span in left}) >= _MOST * len(present) else []
    switched_on = [span for span in gone if _joined_in_wave(span.loss.controller, health)]
    return switched_on if len(switched_on) > 1 and len(switched_on) == len(gone) else []


def _missed_a_return(span: LossSpan, all_spans: Sequence[LossSpan]) -> bool:
    """Tell whether others fell with a controller, and came back without it: then it did not leave with the machine."""
    return span.loss.back_ns is None and any(
        other.loss.back_ns is not None
        and other.loss.controller != span.loss.controller
        and other.loss.last_seen_ns <= span.loss.onset_ns
        and other.loss.back_ns > max(span.loss.last_seen_ns, span.loss.onset_ns)
        and other.loss.back_ns - other.loss.last_seen_ns <= _LONGEST_DIP_NS
        and not other.ran_on
        for other in all_spans
    )


def _joined_in_wave(name: str, health: Health) -> bool:
    """Tell whether a controller was switched on in mid-recording, with others at once."""
    firsts = {one.name: one.first_ns for one in health.controllers if one.first_ns is not None}
    own_ns = firsts[name]
    with_it = sum(abs(first_ns - own_ns) <= _WAVE_NS for first_ns in firsts.values())
    return own_ns > health.start_ns + _WAVE_NS and with_it >= _FEWEST_IN_WAVE
