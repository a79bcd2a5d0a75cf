"""Holds an analysis against the truth of a simulated run, and counts."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.because import Because
from busdoc.simulate.run import Run, Silence

SILENT_KINDS = (IncidentKind.DROPOUT, IncidentKind.RESTART, IncidentKind.BUS_SILENCE, IncidentKind.CAPTURE_GAP)
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
    """One controller's absence as the analysis told it."""

    controller: str
    """By its true name."""
    last_seen_ns: int
    onset_ns: int
    back_ns: int
    ran_on: RanOn
    incident: int


def true_names(run: Run, health: Health) -> dict[str, str]:
    """Say which true controller each controller of the analysis is, by whose identifiers it carries.

    One whose identifiers belong to nobody (a tool, a mixed bag with no majority) is left out.
    """
    owner = {(s.channel, s.extended, s.id): s.controller for s in run.streams}
    names: dict[str, str] = {}
    for controller in health.controllers:
        if controller.name in run.machine.controllers:
            names[controller.name] = controller.name
            continue
        votes = Counter(
            owner[key]
            for stream in controller.streams
            if (key := (stream.key.channel, stream.key.extended, stream.key.id)) in owner
        )
        identity = controller.identity
        for name, true in run.machine.controllers.items():
            same_address = identity.address is not None and identity.address == true.spec.identity.address
            same_node = identity.node_id is not None and identity.node_id == true.spec.identity.node_id
            if same_address or same_node:
                votes[name] += 100
        if votes:
            names[controller.name] = votes.most_common(1)[0][0]
    return names


def told_absences(run: Run, health: Health, names: dict[str, str]) -> list[Told]:
    """List every absence that the incidents tell of."""
    told: list[Told] = []
    for k, incident in enumerate(health.incidents):
        if incident.kind not in SILENT_KINDS:
            continue
        told += [
            Told(
                controller=names[loss.controller],
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
    return silence.controller == told.controller and told.onset_ns <= end_ns and told.back_ns > silence.last_ns


def score(run: Run, health: Health, because: Sequence[Because] | None, label: str) -> Score:
    """Count what one session's analysis got right."""
    names = true_names(run, health)
    told = told_absences(run, health, names)
    result = Score()

    def say(what: str, silence: Silence | Told) -> None:
        at_ns = silence.lost_ns if isinstance(silence, Silence) else silence.onset_ns
        result.odd.append(f"{label}: {what}: {silence.controller} at {(at_ns - run.start_ns) / 1e9:.3f} s")

    for silence in run.truth.silences:
        end_ns = run.until_ns if silence.first_ns is None else silence.first_ns
        if end_ns - silence.last_ns <= 3 * run.truth.slowest_ns[silence.controller]:
            continue
        result.due += 1
        same = [t for t in told if overlaps(silence, t, run)]
        if not same:
            say("not found", silence)
            continue
        result.found += 1
        first = min(same, key=lambda t: t.onset_ns)
        limit_ns = run.truth.fastest_ns[silence.controller] * 11 // 10 + ONSET_SLACK_NS
        if abs(first.onset_ns - silence.lost_ns) <= limit_ns:
            result.onset_right += 1
        else:
            say(f"onset off by {(first.onset_ns - silence.lost_ns) / 1e9:.3f} s", silence)
        if silence.ran_on != "still off":
            result.ran_on_asked += 1
            if first.ran_on is not RanOn.UNKNOWN:
                result.ran_on_given += 1
                if first.ran_on.value == silence.ran_on:
                    result.ran_on_right += 1
                else:
                    say(f"said {first.ran_on.value}", silence)
    for one in told:
        if not any(overlaps(silence, one, run) for silence in run.truth.silences):
            result.invented += 1
            say("invented", one)
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
        if silence.act is not None and silence.action is None:
            continue  # its press was forgotten: nobody can name it
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


def incidents_of(health: Health, *kinds: IncidentKind) -> tuple[Incident, ...]:
    """Pick the incidents of some kinds."""
    return tuple(incident for incident in health.incidents if incident.kind in kinds)
