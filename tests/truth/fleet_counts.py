"""The captures of a fleet by chance as if they had been judged without a mistake: what the statistics are given."""

from collections.abc import Iterator

from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Outcome
from busdoc.many.kept.store import Listed
from tests.truth.fleet_by_chance import CHANGED, TrueCapture, TrueFleet

__all__ = ["judged_lines"]

_ZERO_S = 1_781_000_000.0
_DAY_S, _HOUR_S = 86_400.0, 3_600.0


def judged_lines(fleet: TrueFleet) -> Iterator[Listed]:
    """Yield a line for each capture, with the rows that a perfect post-mortem would give."""
    for number, one in enumerate(fleet.captures, start=1):
        year, software = fleet.columns[one.machine]
        capture = FleetCapture(
            files=(f"{one.machine}/{one.number:03d}.log",),
            machine=one.machine,
            kind=one.kind.name,
            hours=one.hours,
            changed=CHANGED if one.machine in fleet.changed else "",
            covariates=(("model year", year), ("software", software)),
        )
        yield Listed(
            number=number,
            capture=capture,
            outcome=Outcome.JUDGED,
            sentence="",
            content=str(number),
            same_as=None,
            body=_body(fleet, one),
            verdict=None,
            report=None,
        )


def _body(fleet: TrueFleet, one: TrueCapture) -> dict[str, object]:
    hours = fleet.plan.length_s / _HOUR_S
    parts = {feed: "feed" for _, feed, _ in one.kind.controllers.values()}
    parts |= {segment: "segment" for _, _, segment in one.kind.controllers.values()}
    parts |= dict.fromkeys(one.kind.controllers, "controller")
    named = [next((part for part in parts if one.kind.below(part) == drop.controllers), None) for drop in one.drops]
    named = [
        drop.controllers[0] if len(drop.controllers) == 1 else part for drop, part in zip(one.drops, named, strict=True)
    ]
    return {
        "capture": {
            "headline": "",
            "state": "unexplained" if one.drops else "healthy",
            "doubted": False,
            "trouble": bool(one.drops),
            "map_name": one.kind.name,
            "unix_clock": True,
            "start_s": _ZERO_S + one.day * _DAY_S,
            "duration_s": fleet.plan.length_s,
            "watched_h": hours,
            "dropouts": len(one.drops),
            "warnings": [],
        },
        "controllers": [
            {
                "controller": name,
                "watched_h": hours,
                "dropouts": sum(name in drop.controllers for drop in one.drops),
                "feed": feed,
                "segment": segment,
            }
            for name, (_, feed, segment) in one.kind.controllers.items()
        ],
        "parts": [
            {
                "part": part,
                "kind": kind,
                "tellable": kind == "controller" or 2 <= len(one.kind.below(part)) < len(one.kind.controllers),
                "watched_h": hours,
                "dropouts": named.count(part),
            }
            for part, kind in parts.items()
        ],
        "dropouts": [
            {"controllers": list(drop.controllers), "at_h": drop.at_s / _HOUR_S, "part": part}
            for drop, part in zip(one.drops, named, strict=True)
        ],
    }
