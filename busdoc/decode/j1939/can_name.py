"""The 64-bit NAME that a controller claims its address with (SAE J1939-81 4.1).

From bit 63 down: arbitrary address capable 1, industry group 3, vehicle system instance 4, vehicle system 7, reserved
1, function 8, function instance 5, ECU instance 3, manufacturer code 11, identity number 21. On the wire least
significant byte first. NAMEs are compared as the raw 64 bits, the reserved one among them; the lower wins a contested
address.
"""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

__all__ = ["CanName", "can_name_of", "function_text", "read_can_name"]

_INDUSTRIES: Final = MappingProxyType(
    {
        0: "all industries",
        1: "on-highway",
        2: "agriculture and forestry",
        3: "construction",
        4: "marine",
        5: "industrial process control",
    }
)

# Functions below 128 mean the same in every industry: the open list of ISO 11783-1's online data base, from memory.
_FUNCTIONS: Final = (
    "engine",
    "auxiliary power unit",
    "electric propulsion",
    "transmission",
    "battery pack monitor",
    "shift console",
    "power take-off, rear",
    "steering axle",
    "drive axle",
    "brakes",
    "brakes, steering axle",
    "brakes, drive axle",
    "engine retarder",
    "driveline retarder",
    "cruise control",
    "fuel system",
    "steering",
    "suspension, steering axle",
    "suspension, drive axle",
    "instrument cluster",
    "trip recorder",
    "cab climate",
    "aerodynamics",
    "navigation",
    "vehicle security",
    "network interconnect",
    "body controller",
    "power take-off, front",
    "off-vehicle gateway",
    "virtual terminal",
    "management computer",
    "propulsion battery charger",
    "headway control",
    "system monitor",
    "hydraulic pump",
    "suspension system",
    "pneumatic system",
    "cab controller",
    "tyre pressure",
    "ignition",
    "seat",
    "lighting controls",
    "water pump",
    "transmission display",
    "exhaust emission control",
    "stability control",
    "oil sensor",
    "information system",
    "ramp control",
    "clutch or converter",
    "auxiliary heater",
    "collision warning",
    "chassis controller",
    "alternator and charging",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CanName:
    """A NAME taken apart; makers and functions are numbers, since only lists name them."""

    value: int
    """All 64 bits as received."""
    is_arbitrary_address_capable: bool
    """It may take another address when it loses its own."""
    industry_group: int
    vehicle_system_instance: int
    vehicle_system: int
    reserved: int
    function: int
    function_instance: int
    ecu_instance: int
    manufacturer: int
    identity_number: int

    def __str__(self) -> str:
        industry = _INDUSTRIES.get(self.industry_group, f"industry group {self.industry_group}")
        function = function_text(self.function) or f"function {self.function}"
        return f"{function}, {industry}, maker {self.manufacturer}, number {self.identity_number}"


def read_can_name(value: int) -> CanName:
    """Take a NAME apart.

    >>> name = read_can_name(0xC03C82001A6F423F)
    >>> name.industry_group, name.vehicle_system, name.function, name.manufacturer, name.identity_number
    (4, 30, 130, 211, 999999)
    """
    return CanName(
        value=value,
        is_arbitrary_address_capable=bool(value >> 63 & 1),
        industry_group=value >> 60 & 0x7,
        vehicle_system_instance=value >> 56 & 0xF,
        vehicle_system=value >> 49 & 0x7F,
        reserved=value >> 48 & 1,
        function=value >> 40 & 0xFF,
        function_instance=value >> 35 & 0x1F,
        ecu_instance=value >> 32 & 0x7,
        manufacturer=value >> 21 & 0x7FF,
        identity_number=value & 0x1FFFFF,
    )


def can_name_of(payload: bytes) -> int:
    """Give the number that the eight bytes of an address claim stand for."""
    return int.from_bytes(payload[:8], "little")


def function_text(function: int) -> str | None:
    """Name a function that means the same in every industry; None for all others."""
    return _FUNCTIONS[function] if function < len(_FUNCTIONS) else None
