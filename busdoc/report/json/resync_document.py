"""Returns after power-up, and what is not as it was, as keys of the JSON document ``busdoc-verdict/1``."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from busdoc.isolation.proposals.cure import CureState, FaultRate
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import ControllerReturn, PowerUpReturn
from busdoc.times import seconds

__all__ = ["change_entries", "cure_entry", "resync_entries"]

Json = Mapping[str, Any]


def resync_entries(power_ups: Sequence[PowerUpReturn]) -> list[Json]:
    """Give one entry for each power-up; times are instants of the capture's clock, limits are durations."""
    return [
        {
            "power_up_s": seconds(one.power_up.time_ns),
            "zero": str(one.power_up.zero),
            "uncertainty_s": seconds(one.power_up.uncertainty_ns),
            "first_frame_s": _maybe(one.power_up.zero_ns),
            "until_s": seconds(one.power_up.until_ns),
            "feed": one.power_up.feed,
            "found_by": str(one.power_up.found_by),
            "whole": one.power_up.whole,
            "first_frame_usually_s": _maybe(one.wake_usual_ns),
            "first_frame_within_s": _maybe(one.wake_limit_ns),
            "verdict": str(one.verdict),
            "faults": [str(fault) for fault in one.faults],
            "reasons": list(one.reasons),
            "controllers": [_controller(controller) for controller in one.controllers],
            "new": list(one.new),
        }
        for one in power_ups
    ]


def change_entries(changes: Sequence[Change]) -> list[Json]:
    """Give one entry for each difference from the map."""
    return [
        {"kind": str(one.kind), "controller": one.controller, "channel": one.channel, "text": one.text}
        for one in changes
    ]


def cure_entry(state: CureState, rate: FaultRate) -> Json:
    """Give the watch after a repair; durations in seconds, the incident's time on the capture's clock."""
    one = state.incident
    return {
        "outcome": str(state.outcome),
        "quiet_s": state.quiet_s,
        "needed_s": state.needed_s if math.isfinite(state.needed_s) else None,
        "confidence": state.confidence,
        "before": {"incidents": rate.n, "watched_s": rate.watched_s, "fault": rate.fault},
        "power_cycles": state.power_cycles,
        "missing": list(state.missing),
        "incident": None
        if one is None
        else {
            "kind": str(one.kind),
            "controllers": list(one.controllers),
            "last_seen_s": seconds(one.last_seen_ns),
            "code": one.code,
        },
        "complaint": state.asked,
        "showing": None
        if state.showing is None
        else {
            "from_s": seconds(state.showing.since_ns),
            "from_uncertainty_s": None
            if state.showing.not_yet_ns is None
            else seconds(state.showing.since_ns - state.showing.not_yet_ns),
        },
        "beside": list(state.beside),
    }


def _controller(one: ControllerReturn) -> Json:
    return {
        "name": one.name,
        "first_seen_s": _maybe(one.first_ns),
        "identified_s": _maybe(one.identified_ns),
        "steady_s": _maybe(one.steady_ns),
        "verdict": str(one.verdict),
        "limit_s": _maybe(one.limit_ns),
        "usual_s": _maybe(one.usual_ns),
        "faults": [str(fault) for fault in one.faults],
        "reasons": list(one.reasons),
        "notes": list(one.notes),
        "missing": [str(stream.key) for stream in one.missing],
        "restarts_s": [seconds(t_ns) for t_ns in one.restarts_ns],
        "codes": list(one.codes),
        "symptoms": list(one.symptoms),
        "can_name": None if one.can_name is None else f"0x{one.can_name:016X}",
        "moved_to": one.moved_to,
        "waited_for": one.waited_for,
    }


def _maybe(t_ns: int | None) -> float | None:
    return None if t_ns is None else seconds(t_ns)
