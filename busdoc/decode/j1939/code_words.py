"""What trouble codes mean, in our own words: failure modes, and the few parameters that everybody publishes.

Failure modes after the list of SAE J1939-73 appendix A. Names of parameters are commonly published in service manuals
(from memory); a name from the user's database goes before them.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = ["FIRST_ADDRESS_SPN", "code_text", "failure_text", "missed_address", "parameter_text"]

FIRST_ADDRESS_SPN: Final = 2000
"""SPN 2000 + n: the controller at source address n."""

_FAILURES: Final = MappingProxyType(
    {
        0: "above the normal range, most severe level",
        1: "below the normal range, most severe level",
        2: "erratic, intermittent or wrong",
        3: "voltage too high, or shorted to supply",
        4: "voltage too low, or shorted to ground",
        5: "current too low, or circuit open",
        6: "current too high, or circuit grounded",
        7: "mechanics do not respond",
        8: "frequency, pulse width or period out of range",
        9: "update late or missing: the data stopped coming",
        10: "changes too fast",
        11: "cause not known",
        12: "device or part is bad",
        13: "out of calibration",
        14: "special instructions apply",
        15: "above the normal range, least severe level",
        16: "above the normal range, moderate level",
        17: "below the normal range, least severe level",
        18: "below the normal range, moderate level",
        19: "received network data says that it is in error",
        20: "drifted high",
        21: "drifted low",
        31: "condition exists",
    }
)

_PARAMETERS: Final = MappingProxyType(
    {
        84: "wheel-based vehicle speed",
        91: "accelerator pedal position 1",
        94: "fuel delivery pressure",
        96: "fuel level",
        97: "water in fuel",
        98: "engine oil level",
        100: "engine oil pressure",
        102: "intake manifold pressure",
        105: "intake manifold temperature",
        107: "air filter differential pressure",
        108: "barometric pressure",
        110: "engine coolant temperature",
        111: "engine coolant level",
        157: "fuel rail pressure",
        158: "switched supply voltage",
        167: "charging system voltage",
        168: "battery voltage",
        171: "ambient air temperature",
        174: "fuel temperature",
        175: "engine oil temperature",
        177: "transmission oil temperature",
        190: "engine speed",
        191: "transmission output shaft speed",
        512: "driver's demanded engine torque",
        513: "actual engine torque",
        620: "5 V sensor supply",
        625: "proprietary network",
        627: "power supply",
        629: "controller 1",
        639: "J1939 network 1",
        651: "injector, cylinder 1",
        652: "injector, cylinder 2",
        653: "injector, cylinder 3",
        654: "injector, cylinder 4",
        655: "injector, cylinder 5",
        656: "injector, cylinder 6",
        677: "starter motor relay",
        970: "auxiliary engine shutdown switch",
        1079: "sensor supply voltage 1",
        1080: "sensor supply voltage 2",
        1231: "J1939 network 2",
        1235: "J1939 network 3",
        1485: "controller main relay",
        1569: "engine protection torque derate",
        3509: "sensor supply voltage 1",
        3510: "sensor supply voltage 2",
        3511: "sensor supply voltage 3",
        3512: "sensor supply voltage 4",
        3513: "sensor supply voltage 5",
        3514: "sensor supply voltage 6",
    }
)


def failure_text(fmi: int) -> str:
    """Say what a failure mode identifier means."""
    return _FAILURES.get(fmi, f"failure mode {fmi}, not assigned in the editions known here")


def missed_address(spn: int) -> int | None:
    """Give the source address that SPN 2000 to 2253 speaks of; None for any other SPN."""
    address = spn - FIRST_ADDRESS_SPN
    return address if 0 <= address <= 253 else None


def parameter_text(spn: int, own_names: Mapping[int, str] = MappingProxyType({})) -> str | None:
    """Name a suspect parameter: the user's name for it, else the commonly published one, else None."""
    address = missed_address(spn)
    published = f"controller at address {address}" if address is not None else _PARAMETERS.get(spn)
    return own_names.get(spn) or published


def code_text(spn: int, fmi: int, own_names: Mapping[int, str] = MappingProxyType({})) -> str:
    """Say what a trouble code means.

    >>> code_text(168, 4)
    'battery voltage: voltage too low, or shorted to ground'
    """
    return f"{parameter_text(spn, own_names) or f'parameter {spn}'}: {failure_text(fmi)}"
