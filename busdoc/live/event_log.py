"""What happened, told once: who was lost and came back, codes, what a bus does, what was cleared and named."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busdoc.actions.action import Action, Origin
from busdoc.actions.words import act_in_words
from busdoc.capture.listening import BusState, Hearing
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.presence.runs.spells import fall_of, find_spells, goes_on
from busdoc.isolation.conclusion import Conclusion, State
from busdoc.isolation.verdict import IsolationVerdict
from busdoc.live.rows import KnownLoss
from busdoc.live.view import Happening, HappeningKind
from busdoc.report.words.conclusion import conclusion_in_words
from busdoc.report.words.incidents import (
    back_in_words,
    code_in_words,
    loss_in_words,
    restart_in_words,
    restarts_over_and_over,
    runs_on_in_words,
)
from busdoc.report.words.suspects import culprit_in_words, is_named
from busdoc.report.words.symptoms import symptom_in_words
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

__all__ = ["BY_THE_BUS", "EventLog"]

BY_THE_BUS = ", by the bus"
"""Ends what is told of an action that nobody logged: the traffic shows it."""

_NAMED_AFTER_NS = 2 * SECOND_NS
"""So long the verdict must name a part before it is told: while controllers fall one after the other it may point at
another for a moment."""
_ONE_ONSET_NS = 3 * SECOND_NS
"""Codes that come and go together are one symptom, and begin this close together."""
_TOLD_ALONE = 2
_MOST_KEPT = 2000


class EventLog:
    """Keeps what was told, so that nothing is told twice."""

    def __init__(self) -> None:
        self._n = 0
        self._kept: list[Happening] = []
        self._lost: set[tuple[str, int]] = set()
        self._read_as: dict[tuple[str, int], tuple[int, bool]] = {}
        """Who was lost, when -> (number of the happening, whether an action explained it as it was told last)."""
        self.amended = 0
        """How often something that was told has been worded anew since."""
        self._back: set[tuple[str, int]] = set()
        self._codes: set[tuple[str, int]] = set()
        self._shows: set[tuple[str, int]] = set()
        self._hearing: dict[str, Hearing] = {}
        self._remarks: set[tuple[str, str]] = set()
        self._cleared: set[str] = set()
        self._ended: set[tuple[str, int]] = set()
        self._named: str | None = None
        self._naming: tuple[str, int] | None = None
        """(part, ns): which part the verdict has named since when."""
        self._silent = False

    def silently(self, silent: bool) -> None:
        """Whether what is told from here on counts as told long ago: a recording that is gone on with."""
        self._silent = silent

    def after(self, n: int) -> tuple[Happening, ...]:
        """Give what happened after number `n`."""
        return tuple(one for one in self._kept if one.n > n)

    def losses(self, found: Mapping[str, Sequence[KnownLoss]], now_ns: int) -> None:
        """Tell who was lost and who is back."""
        new: list[tuple[int, HappeningKind, str, str]] = []
        for name, losses in found.items():
            in_spell = self._spells(name, losses, now_ns, new)
            for incident, loss, expected in losses:
                key = (name, loss.last_seen_ns)
                if incident.kind is IncidentKind.LATE or key in in_spell:
                    continue
                if incident.kind is IncidentKind.RESTART:
                    if key not in self._lost:
                        self._lost.add(key)
                        new.append((loss.onset_ns, HappeningKind.RESTARTED, restart_in_words(name), name))
                    continue
                if key not in self._lost:
                    self._lost.add(key)
                    text = loss_in_words(name, expected=expected)
                    new.append((loss.last_seen_ns, HappeningKind.LOST, text, name))
                    self._read_as[key] = (0, expected)  # its number comes with the telling
                elif key in self._read_as and self._read_as[key][1] != expected:
                    n, _ = self._read_as[key]
                    self._read_as[key] = (n, expected)
                    self._amend(n, loss_in_words(name, expected=expected))
                if loss.steady_ns is not None and loss.steady_ns <= now_ns and key not in self._back:
                    self._back.add(key)
                    new.append((loss.steady_ns, HappeningKind.BACK, back_in_words(loss), name))
        for at_ns, kind, text, name in sorted(new):
            self._tell(at_ns, kind, text, name)
            if (name, at_ns) in self._read_as and kind is HappeningKind.LOST:
                self._read_as[name, at_ns] = (self._n, self._read_as[name, at_ns][1])

    def _spells(
        self, name: str, losses: Sequence[KnownLoss], now_ns: int, new: list[tuple[int, HappeningKind, str, str]]
    ) -> set[tuple[str, int]]:
        """Tell once that a controller restarts over and over, and once that it runs on; give what is told with that.

        The first two restarts were told when they came: that it goes on like that shows with the third. What hands did
        counts for none.
        """
        told: set[tuple[str, int]] = set()
        away = [known for known in losses if known[0].kind is not IncidentKind.LATE and not known[2]]
        falls = [fall_of([loss]) for _, loss, _ in away]
        for first, after in find_spells(falls):
            spell = falls[first:after]
            later = [(name, fall.last_seen_ns) for fall in spell[_TOLD_ALONE:]]
            last = later[-1]
            if later[0] not in self._lost:
                new.append((later[0][1], HappeningKind.RESTARTED, restarts_over_and_over(name), name))
            self._lost.update(later)
            told.update(later)
            over = after < len(falls) or not goes_on(spell, now_ns)
            steady_ns = away[after - 1][1].steady_ns
            if over and steady_ns is not None and steady_ns <= now_ns and last not in self._back:
                new.append((steady_ns, HappeningKind.BACK, runs_on_in_words(name, len(spell)), name))
            if over:
                self._back.update(later)
        return told

    def conclusion(self, conclusion: Conclusion, now_ns: int) -> None:
        """Tell that a repair is proved, or that it came back after one; each once for a repair."""
        kinds = {State.PROVED: HappeningKind.CURED, State.CAME_BACK: HappeningKind.CAME_BACK}
        kind = kinds.get(conclusion.state)
        if kind is None or not conclusion.repairs:
            return
        key = (kind.value, conclusion.repairs[-1].at_ns)
        if key not in self._ended:
            self._ended.add(key)
            mark = "CURED. " if kind is HappeningKind.CURED else ""
            self._tell(now_ns, kind, f"{mark}{conclusion_in_words(conclusion)[0]}")

    def alarm(self, text: str, now_ns: int) -> None:
        """Tell that hands are in danger."""
        self._tell(now_ns, HappeningKind.ALARM, text)

    def complaint(self, symptom: Symptom) -> None:
        """Tell each time that the complaint came."""
        for span in symptom.spans:
            key = (symptom.name, span.since_ns)
            if span.not_yet_ns is not None and key not in self._shows:
                self._shows.add(key)
                self._tell(span.since_ns, HappeningKind.SHOWS, f"{symptom_in_words(symptom)} shows", symptom.controller)

    def codes(self, incidents: Sequence[Incident], complaint: Symptom | None = None) -> None:
        """Tell the codes that were raised, less what was told of the complaint already."""
        for incident in incidents:
            if incident.kind is not IncidentKind.CODE or self._told_as_complaint(incident, complaint):
                continue
            name = incident.controllers[0] if incident.controllers else ""
            key = (f"{name} {incident.code or ''}", incident.onset_ns)
            if key not in self._codes:
                self._codes.add(key)
                self._tell(incident.onset_ns, HappeningKind.CODE, code_in_words(incident, name), name or None)

    def _told_as_complaint(self, incident: Incident, complaint: Symptom | None) -> bool:
        if complaint is None or incident.code not in complaint.codes:
            return False
        near = any(
            name == complaint.name and abs(since_ns - incident.onset_ns) <= _ONE_ONSET_NS
            for name, since_ns in self._shows
        )
        return near and complaint.controller in incident.controllers

    def buses(self, states: Sequence[BusState], now_ns: int) -> None:
        """Tell what became of a bus, and once each what is to be known of it."""
        for state in states:
            for remark in state.remarks:
                if (state.name, remark) not in self._remarks:
                    self._remarks.add((state.name, remark))
                    self._tell(now_ns, HappeningKind.NOTE, f"{state.name}: {remark}")
            before = self._hearing.get(state.name)
            self._hearing[state.name] = state.hearing
            if before is None and state.hearing is Hearing.HEARD:
                continue
            if before is not state.hearing:
                note = f" ({state.note})" if state.note else ""
                at_ns = max(now_ns, state.since_ns)  # while no adapter answers, what is heard stands still
                self._tell(at_ns, HappeningKind.BUS, f"{state.name}: {state.hearing}{note}")

    def verdict(self, verdict: IsolationVerdict) -> None:
        """Tell what was cleared since the last verdict, and which part is named."""
        cleared = {suspect.part for suspect in verdict.suspects if suspect.cleared}
        new = sorted(cleared - self._cleared)
        if new and self._cleared | {s.part for s in verdict.suspects if s.probability > 0.5}:
            self._tell(verdict.at_ns, HappeningKind.CLEARED, f"cleared: {', '.join(new)}")
        self._cleared = cleared
        first = verdict.suspects[0] if verdict.suspects else None
        if first is None or not is_named(first):
            self._named = self._naming = None
            return
        if self._naming is None or self._naming[0] != first.part:
            self._naming = (first.part, verdict.at_ns)
        if first.part != self._named and verdict.at_ns - self._naming[1] >= _NAMED_AFTER_NS:
            self._named = first.part
            self._tell(verdict.at_ns, HappeningKind.NAMED, f"part at fault: {culprit_in_words(first)}")

    def action(self, action: Action, verb: str = "logged") -> None:
        """Tell that an action was logged, or what became of it."""
        known_by = f", by {action.by}" if action.by else ""
        if action.origin is not Origin.JOURNAL:
            known_by = BY_THE_BUS if action.origin is Origin.BUS else f", by the {action.origin}"
        self._tell(action.time_ns, HappeningKind.ACTION, f"{verb}: {act_in_words(action)}{known_by}")

    def record(self, time_ns: int, text: str) -> None:
        """Tell that the record was written."""
        self._tell(time_ns, HappeningKind.RECORD, text)

    def note(self, time_ns: int, text: str) -> None:
        """Tell something else."""
        self._tell(time_ns, HappeningKind.NOTE, text)

    def _amend(self, n: int, text: str) -> None:
        """Word anew what was told: the press, or what the traffic shows of it, came after the loss that it explains."""
        for k, one in enumerate(self._kept):
            if one.n == n:
                self._kept[k] = replace(one, text=text)
                self.amended += 1

    def _tell(self, time_ns: int, kind: HappeningKind, text: str, controller: str | None = None) -> None:
        if self._silent:
            return
        self._n += 1
        self._kept.append(Happening(n=self._n, time_ns=time_ns, kind=kind, text=text, controller=controller))
        if len(self._kept) > _MOST_KEPT:
            del self._kept[: _MOST_KEPT // 4]
