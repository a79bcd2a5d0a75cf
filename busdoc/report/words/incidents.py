"""How an incident, and what it answers to, is put into words: in the report, on the terminal, on the screen."""

from collections.abc import Mapping, Sequence

from busdoc.actions.action import Action
from busdoc.actions.words import act_in_words
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.isolation.verdict import Because
from busdoc.report.words.wire import channel_in_words
from busdoc.times import SECOND_NS
from busdoc.words.counting import by_box, first_few, listed, plural, times
from busdoc.words.duration import duration
from busdoc.words.probability import odds

__all__ = [
    "DROPPED_OFF",
    "FELL_SILENT",
    "RESTARTED",
    "RESTARTS_OVER",
    "RESTART_OVER",
    "Channels",
    "answer_in_words",
    "away_in_words",
    "back_in_words",
    "bus_in_words",
    "code_in_words",
    "event_in_words",
    "how_often",
    "incident_in_words",
    "loss_in_words",
    "onset_in_words",
    "ran_on_in_words",
    "restart_in_words",
    "restarts_over_and_over",
    "runs_on_in_words",
]

DROPPED_OFF = "dropped off the bus"
RESTARTED = "restarted"
RESTARTS_OVER, RESTART_OVER = "restarts over and over", "restart over and over"
FELL_SILENT = "fell silent"
_LATE = "late: some of its streams stopped while others went on"
_DIPPED = "went away for the start"
_MOST_WOKEN = 6
_CAME_BACK = {RanOn.RESTARTED: ", it restarted", RanOn.KEPT_RUNNING: ", it kept running", RanOn.UNKNOWN: ""}

Channels = Sequence[tuple[int, str]]
"""(number, name) of each channel of the capture."""


def incident_in_words(incident: Incident, channels: Channels = ()) -> str:
    """Say what happened, as the start of a sentence.

    Parameters
    ----------
    channels : those of the capture; where there are several, a bus that fell silent is named
    """
    names = first_few(incident.controllers) or "something"
    return {
        IncidentKind.DROPOUT: _dropout_in_words(incident, names),
        IncidentKind.RESTART: f"{names} {RESTARTED}",
        IncidentKind.RESTARTING: f"{names} {plural(len(incident.controllers), RESTARTS_OVER, RESTART_OVER)}",
        IncidentKind.LATE: f"{names} {_LATE}",
        IncidentKind.BUS_SILENCE: f"{bus_in_words(incident, channels)} {FELL_SILENT}",
        IncidentKind.CAPTURE_GAP: "the recorder lost frames or time",
        IncidentKind.CODE: code_in_words(incident, names),
        IncidentKind.CRANK: f"{_started(incident)}: {names} {_DIPPED}",
        IncidentKind.POWER_UP: f"more of the machine was switched on: {names} paused",
        IncidentKind.POWER_CYCLE: f"the machine went off and on, or its bus slept: {names} left one after the other",
        IncidentKind.POWER_DOWN: f"the machine was switched off: {names} left{_one_by_one(incident)}",
    }[incident.kind]


def event_in_words(incident: Incident, t_ns: int) -> str:
    """Name it as what something else came after.

    Parameters
    ----------
    t_ns : its beginning, or its end
    """
    who = listed(incident.controllers, 2)
    return {
        IncidentKind.BUS_SILENCE: "the silence of the bus",
        IncidentKind.CRANK: "a start that was tried" if incident.why else "the engine's start",
        IncidentKind.POWER_UP: "more of the machine was switched on",
        IncidentKind.POWER_CYCLE: "the power cycle",
        IncidentKind.POWER_DOWN: "the machine was switched off",
    }.get(incident.kind, f"{who} {'came back' if t_ns == incident.back_ns else 'went'}")


def _started(incident: Incident) -> str:
    """Say whether the engine turned: where it did not, the incident says why that is known."""
    return "a start was tried, and the engine did not turn" if incident.why else "the engine was started"


def _one_by_one(incident: Incident) -> str:
    """Say how long it took until the last one had left."""
    last_ns = max((loss.last_seen_ns for loss in incident.losses), default=incident.last_seen_ns)
    took_ns = last_ns - incident.last_seen_ns
    return f", the last one {duration(took_ns)} after the first" if took_ns >= SECOND_NS // 10 else ""


def _dropout_in_words(incident: Incident, names: str) -> str:
    """Say who dropped off the bus; of most that were there, how many that were, since the bus itself went on.

    Addresses of one box are one that fell, not several.
    """
    n = len(incident.controllers)
    if incident.boxes:
        return f"{first_few(by_box(incident.controllers, incident.boxes))} {DROPPED_OFF}"
    if incident.among is None or not incident.among > n > incident.among / 2:
        return f"{names} {DROPPED_OFF}"
    return f"{n} of {incident.among} controllers {DROPPED_OFF} ({names})"


def bus_in_words(silence: Incident, channels: Channels) -> str:
    """Name the bus that fell silent: by its channel where the capture has several."""
    if len(channels) < 2 or silence.channel is None:
        return "the whole bus"
    return f"the whole bus on {channel_in_words(channels, silence.channel)}"


def code_in_words(incident: Incident, names: str) -> str:
    """Say who raised a fault code."""
    return f"{names} raised {incident.code or 'a fault code'}"


def away_in_words(incident: Incident) -> str:
    """Say for how long it lasted; empty where that means nothing."""
    if incident.kind is IncidentKind.CODE or (incident.kind is IncidentKind.RESTART and incident.back_ns is None):
        return ""
    if incident.kind is IncidentKind.RESTARTING:
        first_ns, last_ns = incident.losses[0].last_seen_ns, incident.losses[-1].last_seen_ns
        return f"{how_often(incident)} in {duration(last_ns - first_ns)}"
    if incident.back_ns is None:
        if incident.kind is IncidentKind.POWER_DOWN:
            return _woke(incident)
        return _silent_to_the_end(incident)
    if incident.kind is IncidentKind.RESTART:
        return f"away for {duration(incident.back_ns - incident.last_seen_ns)}"
    text = f"back after {duration(incident.back_ns - incident.last_seen_ns)}"
    if incident.steady_ns is not None and incident.steady_ns > incident.back_ns:
        text += f", in step {duration(incident.steady_ns - incident.back_ns)} later"
    return text


def how_often(spell: Incident) -> str:
    """Say how many restarts a spell of them has."""
    return times(len(spell.losses) // len(spell.controllers))


def _woke(incident: Incident) -> str:
    """Say who came back though the machine was off, and after how long."""
    back = [(loss.controller, loss.back_ns - loss.last_seen_ns) for loss in incident.losses if loss.back_ns is not None]
    return ", ".join(f"{name} back after {duration(away_ns)}" for name, away_ns in back[:_MOST_WOKEN])


def _silent_to_the_end(incident: Incident) -> str:
    """Say who stays away, where the others of a group came back each in its own time."""
    away = [loss.controller for loss in incident.losses if loss.back_ns is None]
    back_ns = [loss.back_ns - loss.last_seen_ns for loss in incident.losses if loss.back_ns is not None]
    if not back_ns:
        return "silent to the end" if incident.kind is IncidentKind.DROPOUT else "to the end"
    shortest, longest = duration(min(back_ns)), duration(max(back_ns))
    after = shortest if shortest == longest else f"{shortest} to {longest}"
    others = plural(len(back_ns), "the other", f"the other {len(back_ns)}")
    return f"{first_few(away)} silent to the end, {others} back after {after}"


def onset_in_words(incident: Incident, channels: Channels = ()) -> str:
    """Say what happened and for how long, as one clause."""
    away = away_in_words(incident)
    return f"{incident_in_words(incident, channels)}{', ' + away if away else ''}"


def answer_in_words(because: Because, by_n: Mapping[int, Action]) -> str:
    """Say which action the incident answers to, as a sentence."""
    action = by_n.get(because.action) if because.action is not None else None
    if action is None:
        if not by_n:
            return "No actions are recorded."
        return f"No recorded action explains it ({odds(because.spontaneous)} that none did)."
    lag = ""
    if because.lag_ns is not None:
        side = "after" if because.lag_ns >= 0 else "before"
        lag = f", {duration(abs(because.lag_ns))} {side} the time written down"
    if because.expected:
        return f"Expected: {act_in_words(action)} (action {action.n}) takes it away{lag}."
    return f"Answers to {act_in_words(action)} (action {action.n}, {odds(because.probability)}{lag})."


def ran_on_in_words(ran_on: RanOn, p_restarted: float | None) -> str:
    """Say whether it restarted, and how surely.

    >>> ran_on_in_words(RanOn.KEPT_RUNNING, 0.02)
    'kept running (98 %)'
    """
    if p_restarted is None or ran_on is RanOn.UNKNOWN:
        return str(ran_on)
    return f"{ran_on} ({odds(p_restarted if ran_on is RanOn.RESTARTED else 1 - p_restarted)})"


def loss_in_words(name: str, *, expected: bool) -> str:
    """Say that one controller is lost, as it happens.

    >>> loss_in_words("hopper", expected=True)
    'hopper dropped off the bus, as expected'
    """
    return f"{name} {DROPPED_OFF}{', as expected' if expected else ''}"


def restart_in_words(name: str) -> str:
    """Say that one controller restarted without having been asked to."""
    return f"{name} {RESTARTED} on its own"


def restarts_over_and_over(name: str) -> str:
    """Say that one controller restarts again and again."""
    return f"{name} {RESTARTS_OVER}"


def runs_on_in_words(name: str, n_restarts: int) -> str:
    """Say that one controller runs on after it had restarted again and again."""
    return f"{name} is back in step after {n_restarts} restarts, and stays up"


def back_in_words(loss: Loss) -> str:
    """Say that one controller is back in step, after how long, and whether it restarted.

    >>> loss = Loss(controller="fan", last_seen_ns=0, onset_ns=1, back_ns=10, steady_ns=2_000_000_000,
    ...             ran_on=RanOn.RESTARTED, p_restarted=0.98)
    >>> back_in_words(loss)
    'fan is back in step after 2.0 s, it restarted'
    """
    steady_ns = loss.last_seen_ns if loss.steady_ns is None else loss.steady_ns
    return f"{loss.controller} is back in step after {duration(steady_ns - loss.last_seen_ns)}{_CAME_BACK[loss.ran_on]}"
