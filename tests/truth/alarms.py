"""What counts as an alarm on a healthy machine."""

from busdoc.health.incident import IncidentKind
from busdoc.health.summary import Health

__all__ = ["alarms"]


def alarms(health: Health) -> list[str]:
    """List every incident but fault codes, and every gap."""
    found = [
        f"{incident.kind} of {', '.join(incident.controllers)} at {(incident.onset_ns - health.start_ns) / 1e9:.3f} s"
        for incident in health.incidents
        if incident.kind is not IncidentKind.CODE
    ]
    return found + [f"{gap.kind} at {(gap.from_ns - health.start_ns) / 1e9:.3f} s" for gap in health.gaps]
