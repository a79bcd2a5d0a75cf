"""NMEA 2000 alerts: what a device says of itself, and of others, is wrong: groups 126983 (alert) and 126985 (its text).

Both are fast packets. The first 16 bytes of both name the alert: type and category in a nibble each, system,
sub-system, number (2), NAME of the device that it comes from (8), instance, index, occurrence. In 126983 follow a byte
of flags, the NAME of who acknowledged it (8), trigger and threshold in a nibble each, priority, the state. In 126985
follow a language and two texts, each with its length (itself and the next byte counted in) and a byte, 1 for ASCII
or 0 for UTF-16. Layout and codes from memory, held against the open library nmea2000 2026.10.3 (PyPI).
"""

from dataclasses import dataclass
from enum import IntEnum

__all__ = ["Alert", "AlertName", "AlertState", "alert_text", "read_alert", "read_alert_text"]

_NAME_BYTES, _ALERT_BYTES = 16, 28
_TYPES = {1: "emergency alarm", 2: "alarm", 5: "warning", 8: "caution"}
_CATEGORIES = {0: "navigation", 1: "technical"}


class AlertState(IntEnum):
    """Where an alert stands."""

    DISABLED = 0
    NORMAL = 1
    ACTIVE = 2
    SILENCED = 3
    """It is there; its sound was turned off for a while."""
    ACKNOWLEDGED = 4
    """It is there, and somebody has said so."""
    AWAITING = 5
    """It awaits that somebody says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertName:
    """What makes two messages speak of one alert."""

    system: int
    sub_system: int
    number: int
    source_name: int
    """NAME of the device that it comes from (ISO 11783-5)."""
    instance: int
    index: int

    @property
    def code(self) -> str:
        """As it is written: ``Alert 5/1/4711``, its system, sub-system and number."""
        return f"Alert {self.system}/{self.sub_system}/{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One message as read."""

    name: AlertName
    kind: int
    category: int
    occurrence: int
    """Counts its changes to active, as the device keeps it."""
    state: int
    """One of `AlertState`, or a code that no table gives."""

    @property
    def is_active(self) -> bool:
        """Whether what it speaks of is there, acknowledged, silenced or not."""
        return self.state in (AlertState.ACTIVE, AlertState.SILENCED, AlertState.ACKNOWLEDGED, AlertState.AWAITING)

    @property
    def is_over(self) -> bool:
        """Whether it says that all is normal, or that nobody watches it any more."""
        return self.state in (AlertState.DISABLED, AlertState.NORMAL)


def read_alert(payload: bytes) -> Alert | None:
    """Read group 126983; None when it is too short for one."""
    if len(payload) < _ALERT_BYTES:
        return None
    return Alert(
        name=_name(payload),
        kind=payload[0] & 0x0F,
        category=payload[0] >> 4,
        occurrence=payload[15],
        state=payload[27],
    )


def read_alert_text(payload: bytes) -> tuple[AlertName, str] | None:
    """Read group 126985: which alert, and its text in one line; None when it is too short, or says nothing."""
    if len(payload) <= _NAME_BYTES + 1:
        return None
    texts: list[str] = []
    at = _NAME_BYTES + 1
    while at + 2 <= len(payload) and len(texts) < 2:
        size, coding = payload[at], payload[at + 1]
        if size < 2:
            break
        raw = payload[at + 2 : at + size]
        texts.append(raw.decode("ascii" if coding else "utf-16-le", errors="replace"))
        at += size
    said = ", ".join(" ".join("".join(c if c.isprintable() else " " for c in one).split()) for one in texts)
    said = said.strip(", ")
    return (_name(payload), said) if said else None


def alert_text(alert: Alert, said: str | None) -> str:
    """Say in words what an alert is; `said` is the device's own text for it.

    >>> name = AlertName(system=5, sub_system=1, number=4711, source_name=0, instance=0, index=0)
    >>> alert_text(Alert(name=name, kind=5, category=1, occurrence=1, state=2), "Oil pressure low")
    'Oil pressure low (technical warning)'
    """
    kind = _TYPES.get(alert.kind, f"alert of type {alert.kind}")
    what = f"{_CATEGORIES[alert.category]} {kind}" if alert.category in _CATEGORIES else kind
    return f"{said} ({what})" if said else f"{what} of system {alert.name.system}, sub-system {alert.name.sub_system}"


def _name(payload: bytes) -> AlertName:
    return AlertName(
        system=payload[1],
        sub_system=payload[2],
        number=int.from_bytes(payload[3:5], "little"),
        source_name=int.from_bytes(payload[5:13], "little"),
        instance=payload[13],
        index=payload[14],
    )
