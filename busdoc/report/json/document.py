"""The result as one JSON document of the schema ``busdoc-verdict/1``.

Keys may be added, never renamed. All times are seconds since the Unix epoch, or since the capture's own zero.
"""

import json
from collections.abc import Mapping
from typing import Any, TextIO

from busdoc.analysis.result import Result
from busdoc.decode.j1939.can_name import read_can_name
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident
from busdoc.isolation.proposals.cure import CureState, FaultRate
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.controller_spec import PeriodFrom
from busdoc.report.json.conclusion_entry import conclusion_entry
from busdoc.report.json.resync_document import change_entries, cure_entry, resync_entries
from busdoc.report.json.symptom_entries import symptom_entry
from busdoc.report.words.cure import cure_text
from busdoc.report.words.headline import headline
from busdoc.resync_check.records import ReturnVerdict
from busdoc.times import seconds, zone_name

__all__ = ["SCHEMA", "cure_document", "document", "print_document", "returns_document"]

SCHEMA = "busdoc-verdict/1"

Json = Mapping[str, Any]


def document(result: Result) -> dict[str, Any]:
    """Give the result as plain dictionaries, lists, numbers and texts, ready for `json.dumps`."""
    tree: dict[str, Any] = {
        "schema": SCHEMA,
        "headline": headline(result),
        "capture": _capture(result),
        "controllers": [_controller(controller) for controller in result.health.controllers],
        "incidents": [
            _incident(n, incident, because)
            for n, (incident, because) in enumerate(zip(result.incidents, result.because, strict=True), start=1)
        ],
        "actions": [
            {
                "n": action.n,
                "time_s": seconds(action.time_ns),
                "uncertainty_s": seconds(action.uncertainty_ns),
                "action": str(action.kind),
                "part": action.part,
                "into": action.into,
                "origin": str(action.origin),
                "note": action.note,
                "by": action.by,
            }
            for action in (*result.actions, *result.seen)
        ],
        "codes": [_code(code) for code in result.codes],
        "resync": resync_entries(result.resync),
        "changes": change_entries(result.changes),
        "cautions": list(result.cautions()),
        "warnings": list(result.warnings),
        "joins": [
            {
                "from_s": seconds(join.from_ns),
                "to_s": seconds(join.to_ns),
                "controllers": list(join.controllers),
                "tool": join.tool,
            }
            for join in result.health.joins
        ],
        "boxes": [
            {"controllers": list(box.controllers), "maker": box.maker, "number": box.number}
            for box in result.health.boxes
        ],
    }
    tree["databases"] = [
        {
            "file": str(use.file),
            "channel": use.channel,
            "bus": use.bus or None,
            "buses": list(use.buses),
            "messages": use.messages,
            "heard": use.heard,
            "why_not": use.why_not or None,
        }
        for use in result.database_uses
    ]
    tree["symptoms"] = [
        symptom_entry(symptom, result.answers if symptom is result.complaint else ()) for symptom in result.symptoms
    ]
    tree["apart"] = [one.name for one in result.apart]
    tree["complaint"] = None if result.complaint is None else result.complaint.name
    tree["conclusion"] = conclusion_entry(result)
    if result.isolation is not None:
        tree |= _isolation(result.isolation)
    if result.intermittent is not None:
        from busdoc.report.json.document_intermittent import intermittent_keys

        tree |= intermittent_keys(result.intermittent)
    return tree


def returns_document(result: Result, headline: str, verdict: ReturnVerdict) -> dict[str, Any]:
    """Give the document of `busdoc resync`: headline and verdict speak of the returns alone."""
    return document(result) | {"headline": headline, "verdict": str(verdict)}


def cure_document(result: Result, state: CureState, rate: FaultRate) -> dict[str, Any]:
    """Give the document of `busdoc resync --watch`: the headline speaks of the cure, which has a key of its own."""
    headline = cure_text(state, rate, result.capture.channel_names)
    return document(result) | {"headline": headline, "cure": cure_entry(state, rate)}


def print_document(tree: Json, stream: TextIO) -> None:
    """Write a document as what a command prints, and nothing else."""
    json.dump(tree, stream, indent=1, allow_nan=False)
    stream.write("\n")


def _maybe(t_ns: int | None) -> float | None:
    return None if t_ns is None else seconds(t_ns)


def _between(from_ns: int, to_ns: int | None) -> float | None:
    return None if to_ns is None else seconds(to_ns - from_ns)


def _capture(result: Result) -> Json:
    facts, health = result.capture, result.health
    loads = {wire.channel: wire for wire in health.wire}
    names = dict(facts.channel_names)
    return {
        "files": [str(file) for file in facts.files],
        "frames": health.frames,
        "error_frames": health.error_frames,
        "skipped_lines": facts.skipped_lines,
        "skipped": [{"file": s.file, "line": s.line, "reason": s.reason} for s in facts.skipped],
        "start_s": seconds(health.start_ns),
        "duration_s": seconds(health.until_ns - health.start_ns),
        "clock": "unix" if facts.epoch else "capture",
        "zone": zone_name() if facts.epoch else None,
        "practice": facts.practice,
        "channels": [
            {
                "channel": channel,
                "name": names.get(channel, str(channel)),
                "frames": frames,
                "load": loads[channel].mean_load if channel in loads else None,
                "peak_load": loads[channel].peak_load if channel in loads else None,
                "bitrate": loads[channel].bitrate if channel in loads else None,
            }
            for channel, frames in facts.channel_frames
        ],
        "gaps": [
            {
                "from_s": seconds(gap.from_ns),
                "to_s": seconds(gap.to_ns),
                "kind": str(gap.kind),
                "channel": gap.channel,
                "why": gap.why,
            }
            for gap in health.gaps
        ],
    }


def _controller(controller: ControllerHealth) -> Json:
    identity = controller.identity
    return {
        "name": controller.name,
        "channel": controller.channel,
        "identity": {
            "address": identity.address,
            "says": None if identity.can_name is None else str(read_can_name(identity.can_name)),
            "can_name": None if identity.can_name is None else f"0x{identity.can_name:016X}",
            "node_id": identity.node_id,
            "sender": identity.sender,
        },
        "frames": controller.frames,
        "streams": [
            {
                "id": str(stream.key),
                "channel": stream.key.channel,
                "extended": stream.key.extended,
                "frames": stream.frames,
                "cyclic": stream.cyclic,
                "period_s": _maybe(stream.period_ns),
                "jitter_s": _maybe(stream.jitter_ns),
                "deadline_s": _maybe(stream.deadline_ns),
                "period_from": str(stream.period_from or PeriodFrom.LEARNT),
            }
            for stream in controller.streams
        ],
        "state": str(controller.state),
        "first_s": _maybe(controller.first_ns),
        "last_s": _maybe(controller.last_ns),
        "present_s": seconds(controller.present_ns),
        "lost_s": seconds(controller.lost_ns),
        "dropouts": controller.dropouts,
        "restarts": controller.restarts,
        "absences": [{"from_s": seconds(a), "to_s": seconds(b)} for a, b in controller.absences],
    }


def _incident(n: int, incident: Incident, because: Because) -> Json:
    return {
        "n": n,
        "kind": str(incident.kind),
        "controllers": list(incident.controllers),
        "channel": incident.channel,
        "last_seen_s": seconds(incident.last_seen_ns),
        "onset_s": seconds(incident.onset_ns),
        "back_s": _maybe(incident.back_ns),
        "steady_s": _maybe(incident.steady_ns),
        "duration_s": _between(incident.last_seen_ns, incident.back_ns),
        "ran_on": str(incident.ran_on),
        "p_restarted": incident.p_restarted,
        "expected": because.expected,
        "because": None
        if because.action is None
        else {"action": because.action, "probability": because.probability, "lag_s": _maybe(because.lag_ns)},
        "spontaneous": because.spontaneous,
        "among": incident.among,
        "boxes": [list(box) for box in incident.boxes],
        "code": incident.code,
        "why": list(incident.why),
        "losses": [
            {
                "controller": loss.controller,
                "last_seen_s": seconds(loss.last_seen_ns),
                "onset_s": seconds(loss.onset_ns),
                "back_s": _maybe(loss.back_ns),
                "steady_s": _maybe(loss.steady_ns),
                "duration_s": _between(loss.last_seen_ns, loss.back_ns),
                "ran_on": str(loss.ran_on),
                "p_restarted": loss.p_restarted,
                "evidence": list(loss.evidence),
            }
            for loss in incident.losses
        ],
    }


def _code(code: FaultCode) -> Json:
    return {
        "controller": code.controller,
        "kind": str(code.kind),
        "code": code.code,
        "text": code.text,
        "occurrences": code.occurrences,
        "first_s": seconds(code.first_ns),
        "last_s": seconds(code.last_ns),
        "active": code.active,
        "spans": [{"raised_s": seconds(a), "cleared_s": _maybe(b)} for a, b in code.active_spans],
        "controller_count": code.controller_count,
        "points_at": list(code.points_at),
    }


def _isolation(verdict: IsolationVerdict) -> Json:
    return {
        "trials": [
            {
                "from_s": seconds(trial.from_ns),
                "to_s": seconds(trial.to_ns),
                "controller": trial.controller,
                "exposed": list(trial.exposed),
                "outcome": str(trial.outcome),
                "shown_after_s": _maybe(trial.shown_after_ns),
            }
            for trial in verdict.trials
        ],
        "suspects": [
            {"part": s.part, "probability": s.probability, "cleared": s.cleared, "why": list(s.why)}
            for s in verdict.suspects
        ],
        "next_tests": [
            {
                "steps": [{"action": str(s.action), "part": s.part, "into": s.into} for s in test.steps],
                "watch_s": seconds(test.watch_ns),
                "gain_bits": test.gain_bits,
                "effort_s": test.effort_s,
                "tells": test.tells,
                "cautions": list(test.cautions),
                "proof": test.proof,
            }
            for test in verdict.next_tests
        ],
    }
