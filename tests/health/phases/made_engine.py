"""Engine speeds as frames; the bytes are those of SAE J1939-71 (EEC1, SPN 190) and NMEA 2000 (127488)."""

import numpy as np

from tests.health.made_traffic import MS, Sent

__all__ = ["speed"]

_EEC1, _NMEA = 0x0CF00400, 0x09F20000


def speed(rpm: list[float], *, nmea: bool = False, every_ns: int = 100 * MS) -> Sent:
    """Tell these speeds one after the other."""
    data = np.full((len(rpm), 8), 0xFF, np.uint8)
    raw = (np.array(rpm) / (0.25 if nmea else 0.125)).astype(np.int64)
    first = 1 if nmea else 3
    data[:, first], data[:, first + 1] = raw & 0xFF, raw >> 8
    t_ns = np.arange(len(rpm), dtype=np.int64) * every_ns
    return Sent(id=_NMEA if nmea else _EEC1, t_ns=t_ns, data=data)
