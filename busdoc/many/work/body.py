"""What the fleet keeps of one result: plain rows, which go from a worker to the store and from there into tables."""

from collections.abc import Mapping, Sequence
from typing import Any

from busdoc.analysis.result import Result
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident
from busdoc.intermittent.dropouts import Dropouts, unexplained_losses, watched_of
from busdoc.many.work.shared import CONTROLLER, is_tellable, points_at
from busdoc.report.words.headline import headline
from busdoc.times import SECOND_NS, seconds

__all__ = ["body_of"]

_HOUR_S = 3600.0


def body_of(result: Result) -> dict[str, Any]:
    """Take from a result what the fleet counts: `capture`, one row; `controllers`, `parts` and `dropouts`, rows each.

    Notes
    -----
    Counted are losses that no recorded action explains, as the post-mortem of intermittent dropouts counts them: one
    that came before the last was over is part of that one. The exposure is the time in which one could have come and
    would have been seen: recorded, and neither away nor just coming back.
    """
    chosen = unexplained_losses(result.health.incidents, result.because, journal_kept=bool(result.actions))
    told = points_at(result)
    incidents = [result.health.incidents[n] for n in chosen]
    of_machine = Dropouts.of((), incidents, watched_of(result.health, ()))
    dropouts = _dropouts(result, chosen, told, of_machine)
    watched_h = _hours(of_machine)
    return {
        "capture": _capture(result, watched_h, len(of_machine)),
        "controllers": [_controller(result, one, incidents) for one in result.health.controllers],
        "parts": _parts(result, dropouts, watched_h),
        "dropouts": dropouts,
    }


def _capture(result: Result, watched_h: float, n_dropouts: int) -> dict[str, Any]:
    health, conclusion = result.health, result.conclusion
    return {
        "headline": headline(result),
        "state": str(conclusion.state),
        "doubted": result.doubted,
        "trouble": bool(result.trouble),
        "part": conclusion.part,
        "probability": conclusion.probability,
        "map_name": result.machine.name,
        "unix_clock": result.capture.epoch,
        "start_s": seconds(health.start_ns),
        "duration_s": seconds(health.until_ns - health.start_ns),
        "watched_h": watched_h,
        "dropouts": n_dropouts,
        "frames": health.frames,
        "error_frames": health.error_frames,
        "skipped_lines": result.capture.skipped_lines,
        "mean_load": max((wire.mean_load for wire in health.wire if wire.mean_load is not None), default=None),
        "peak_load": max((wire.peak_load for wire in health.wire if wire.peak_load is not None), default=None),
        "codes": len(result.codes),
        "warnings": list(result.warnings),
    }


def _controller(result: Result, one: ControllerHealth, incidents: Sequence[Incident]) -> dict[str, Any]:
    own = [incident for incident in incidents if one.name in incident.controllers]
    spec = result.machine.controllers.get(one.name)
    heard = one.first_ns is not None
    found = Dropouts.of((one.name,), own, watched_of(result.health, (one.name,)))
    return {
        "controller": one.name,
        "state": str(one.state),
        "watched_h": _hours(found) if heard else 0.0,
        "dropouts": len(found) if heard else 0,
        "restarts": one.restarts,
        "lost_s": seconds(one.lost_ns),
        "on_map": spec is not None,
        "feed": None if spec is None else spec.feed,
        "segment": None if spec is None else spec.segment,
    }


def _dropouts(
    result: Result, chosen: Sequence[int], told: Mapping[int, Any], of_machine: Dropouts
) -> list[dict[str, Any]]:
    """Give a row for each dropout that counts; the time in which it came is told in watched hours as well."""
    counted = set(of_machine.last_seen_ns.tolist())
    rows = []
    for n in chosen:
        incident, where = result.health.incidents[n], told.get(n)
        if incident.last_seen_ns not in counted:
            continue
        counted.discard(incident.last_seen_ns)
        until_ns = result.health.until_ns if incident.back_ns is None else incident.back_ns
        rows.append(
            {
                "n": n + 1,
                "kind": str(incident.kind),
                "controllers": list(incident.controllers),
                "onset_s": seconds(incident.onset_ns),
                "at_h": (incident.onset_ns - result.health.start_ns) / SECOND_NS / _HOUR_S,
                "lasted_s": seconds(until_ns - incident.last_seen_ns),
                "back": incident.back_ns is not None,
                "ran_on": str(incident.ran_on),
                "part": None if where is None else where.part,
                "part_kind": None if where is None else where.kind,
                "said_by": None if where is None else str(where.said_by),
            }
        )
    return rows


def _parts(result: Result, dropouts: Sequence[Mapping[str, Any]], watched_h: float) -> list[dict[str, Any]]:
    """Give a row for each part on the map, and for each controller, with the dropouts that speak of it."""
    kinds = {part.name: str(part.kind) for part in result.machine.parts.values()}
    kinds |= dict.fromkeys([one.name for one in result.health.controllers], CONTROLLER)
    n_of: dict[str, int] = {}
    for row in dropouts:
        if row["part"] is not None:
            n_of[row["part"]] = n_of.get(row["part"], 0) + 1
    return [
        {
            "part": name,
            "kind": kind,
            "tellable": is_tellable(result.machine, name),
            "watched_h": watched_h,
            "dropouts": n_of.get(name, 0),
        }
        for name, kind in kinds.items()
    ]


def _hours(dropouts: Dropouts) -> float:
    return dropouts.watched.total_ns / SECOND_NS / _HOUR_S
