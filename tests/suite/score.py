"""Holds an analysis against the truth of a simulated run, and counts."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from busdoc.health.incident import IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.verdict import Because
from busdoc.simulation.run import Run, Silence

SILENT_KINDS = (
    IncidentKind.DROPOUT,
    IncidentKind.RESTART,
    IncidentKind.RESTARTING,
    IncidentKind.BUS_SILENCE,
    IncidentKind.CAPTURE_GAP,
)
"""Incidents that say that a controller was away."""

ONSET_SLACK_NS = 5_000_000
"""What waiting for the wire and the tick's own jitter may add to one period."""


@dataclass(slots=True)
class Score:
    """Counts over many sessions, with a line for every disagreement."""

    due: int = 0
    """Silences longer than three of the controller's slowest periods."""
    found: int = 0
    invented: int = 0
    onset_right: int = 0
    ran_on_asked: int = 0
    ran_on_given: int = 0
    ran_on_right: int = 0
    caused: int = 0
    caused_right: int = 0
    uncaused: int = 0
    uncaused_right: int = 0
    odd: list[str] = field(default_factory=list)

    def __iadd__(self, other: "Score") -> "Score":
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        return self

    def __str__(self) -> str:
        def share(part: int, whole: int) -> str:
            return f"{part}/{whole}" + (f" = {100.0 * part / whole:.1f} %" if whole else "")

        return "\n".join(
            [
                f"silences found {share(self.found, self.due)}, invented {self.invented}",
                f"onset within one period {share(self.onset_right, self.found)}",
                f"ran on: right {share(self.ran_on_right, self.ran_on_given)} of the answers, "
                f"unknown {share(self.ran_on_asked - self.ran_on_given, self.ran_on_asked)}",
                f"action right {share(self.caused_right, self.caused)}, "
                f"none right {share(self.uncaused_right, self.uncaused)}",
                *self.odd,
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One absence as the analysis told it."""

    controllers: frozenset[str]
    """By their true names: more than one where nothing tells them apart."""
    last_seen_ns: int
    onset_ns: int
    back_ns: int
    ran_on: RanOn
    incident: int


def true_names(run: Run, health: Health) -> dict[str, frozenset[str]]:
    """Say which true controllers each controller of the analysis stands for, by whose identifiers it carries.

    Without a map, controllers on a plain bus that always fall together cannot be told apart: one name then stands for
    several, and one controller may have several names. A name whose identifiers belong to nobody is left out.
    """
    owner = {(s.channel, s.extended, s.id): s.controller for s in run.streams}
    of_address = {c.spec.identity.address: name for name, c in run.machine.controllers.items()}
    names: dict[str, frozenset[str]] = {}
    for controller in health.controllers:
        if controller.name in run.machine.controllers:
            names[controller.name] = frozenset({controller.name})
            continue
        keys = {(stream.key.channel, stream.key.extended, stream.key.id) for stream in controller.streams}
        true = {owner[key] for key in keys if key in owner}
        if controller.identity.address is not None and controller.identity.address in of_address:
            true.add(of_address[controller.identity.address])
        if true:
            names[controller.name] = frozenset(true)
    return names


def told_absences(run: Run, health: Health, names: dict[str, frozenset[str]]) -> list[Told]:
    """List every absence that the incidents tell of."""
    told: list[Told] = []
    for k, incident in enumerate(health.incidents):
        if incident.kind not in SILENT_KINDS:
            continue
        told += [
            Told(
                controllers=names[loss.controller],
                last_seen_ns=loss.last_seen_ns,
                onset_ns=loss.onset_ns,
                back_ns=run.until_ns if loss.back_ns is None else loss.back_ns,
                ran_on=loss.ran_on,
                incident=k,
            )
            for loss in incident.losses
            if loss.controller in names
        ]
    return told


def overlaps(silence: Silence, told: Told, run: Run) -> bool:
    """Whether what was told is (part of) this silence."""
    end_ns = run.until_ns if silence.first_ns is None else silence.first_ns
    return silence.controller in told.controllers and told.onset_ns <= end_ns and told.back_ns > silence.last_ns


def due_silences(run: Run) -> list[Silence]:
    """List the silences longer than three of the controller's slowest periods.

    Two of them with a return in between that was shorter than one slowest period are one: nobody was back in step.
    """
    joined: dict[str, list[Silence]] = {}
    for silence in run.truth.silences:
        own = joined.setdefault(silence.controller, [])
        slowest_ns = run.truth.slowest_ns[silence.controller]
        first_ns = own[-1].first_ns if own else None
        if own and first_ns is not None and silence.last_ns - first_ns < slowest_ns:
            ran_on = "restarted" if "restarted" in (own[-1].ran_on, silence.ran_on) else silence.ran_on
            still_off = silence.first_ns is None
            own[-1] = replace(own[-1], first_ns=silence.first_ns, ran_on="still off" if still_off else ran_on)
        else:
            own.append(silence)
    return sorted(
        (
            silence
            for own in joined.values()
            for silence in own
            if end_of(silence, run) - silence.last_ns > 3 * run.truth.slowest_ns[silence.controller]
        ),
        key=lambda silence: silence.lost_ns,
    )


def end_of(silence: Silence, run: Run) -> int:
    """When the controller was heard again, or the capture ended."""
    return run.until_ns if silence.first_ns is None else silence.first_ns


def score(run: Run, health: Health, because: Sequence[Because] | None, label: str) -> Score:
    """Count what one session's analysis got right."""
    told = told_absences(run, health, true_names(run, health))
    result = Score()

    def say(what: str, who: str, at_ns: int) -> None:
        result.odd.append(f"{label}: {what}: {who} at {(at_ns - run.start_ns) / 1e9:.3f} s")

    for silence in due_silences(run):
        name, lost_ns = silence.controller, silence.lost_ns
        result.due += 1
        same = [t for t in told if overlaps(silence, t, run)]
        if not same:
            say("not found", name, lost_ns)
            continue
        result.found += 1
        first = min(same, key=lambda t: abs(t.onset_ns - lost_ns))
        # Where one name stands for several controllers, it is away when the last of them is.
        falls_ns = [s.lost_ns for s in run.truth.silences if s is silence or overlaps(s, first, run)]
        late_ns = min((first.onset_ns - fell_ns for fell_ns in [*falls_ns, lost_ns]), key=abs)
        if abs(late_ns) <= run.truth.fastest_ns[name] + ONSET_SLACK_NS:
            result.onset_right += 1
        else:
            say(f"onset off by {late_ns / 1e9:.3f} s", name, lost_ns)
        if silence.ran_on == "still off":
            continue
        result.ran_on_asked += 1
        if first.ran_on is not RanOn.UNKNOWN:
            result.ran_on_given += 1
            result.ran_on_right += first.ran_on.value == silence.ran_on
            if first.ran_on.value != silence.ran_on:
                say(f"said {first.ran_on.value}", name, lost_ns)
    for one in told:
        if not any(overlaps(silence, one, run) for silence in run.truth.silences):
            result.invented += 1
            say("invented", ", ".join(sorted(one.controllers)), one.onset_ns)
    if because is not None:
        _score_causes(run, health, told, because, result, label)
    return result


def _score_causes(
    run: Run, health: Health, told: Iterable[Told], because: Sequence[Because], result: Score, label: str
) -> None:
    """Compare the action of every incident with that of the silences it is made of."""
    answer = {b.incident: b for b in because}
    for k, incident in enumerate(health.incidents):
        silences = [s for t in told if t.incident == k for s in run.truth.silences if overlaps(s, t, run)]
        if not silences or k not in answer:
            continue
        silence = min(silences, key=lambda s: s.lost_ns)
        given = answer[k].action
        if (silence.act is not None and silence.action is None) or silence.by_chance:
            continue  # its press was forgotten, or it looks like an answer by chance: nobody can know
        right = given == silence.action
        if silence.action is None:
            result.uncaused += 1
            result.uncaused_right += right
        else:
            result.caused += 1
            result.caused_right += right
        if not right:
            at_s = (incident.onset_ns - run.start_ns) / 1e9
            result.odd.append(
                f"{label}: {', '.join(incident.controllers)} at {at_s:.2f} s answers {silence.action} "
                f"({silence.cause}), said {given} ({answer[k].probability:.2f})"
            )
