"""How the state of a fault code at the end is put into words."""

from busdoc.analysis.result import Result
from busdoc.health.codes.code import FaultCode
from busdoc.times import SECOND_NS

__all__ = ["code_state_in_words"]

_BROADCAST_NS = SECOND_NS * 3 // 2
"""Active codes are said once a second (SAE J1939-73 5.7.1), with room for a busy bus."""


def code_state_in_words(code: FaultCode, result: Result) -> str:
    """Say whether a code is active at the end, was when its controller was last heard, or was taken back."""
    if code.active:
        return "active at the end"
    if _fell_silent_with(code, result):
        return f"active when {code.controller} fell silent"
    return "no longer active"


def _fell_silent_with(code: FaultCode, result: Result) -> bool:
    """Tell whether the controller that said it left the bus for good before it could say so again."""
    if not code.edges or code.active_spans[-1][1] != code.edges[-1][1]:
        return False  # a later message left it out
    return any(
        0 <= from_ns - code.last_ns <= _BROADCAST_NS
        for one in result.health.controllers
        if one.name == code.controller
        for from_ns, to_ns in one.absences
        if to_ns >= result.health.until_ns
    )
