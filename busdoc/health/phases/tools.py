"""Who comes and goes with a user and belongs to no machine."""

from busdoc.health.controller import ControllerHealth

__all__ = ["is_tool"]

_TOOLS = range(249, 252)
"""J1939 addresses of service tools 1 and 2 off the machine, and of a logger (SAE J1939-81, table of preferred
addresses)."""


def is_tool(one: ControllerHealth) -> bool:
    """Tell whether a controller bears the address of a service tool or logger."""
    return one.identity.address in _TOOLS
