"""Which raw values of a parameter are no values: 'not available', 'error', reserved.

SAE J1939-71 5.1 sets aside the top of each parameter's range. For 1, 2 and 4 bytes the top byte alone decides: 0x00 to
0xFA is a value, 0xFB parameter specific, 0xFC and 0xFD reserved, 0xFE an error, 0xFF not available. Of 2 bits, 10 is an
error and 11 not available. Parameters of other widths say 'not available' by all ones (common practice), and those of
3 bytes follow the others (from memory). NMEA 2000 keeps only the two highest numbers (from memory).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

__all__ = ["ALL_VALID", "ParameterRange", "SignalStatus", "j1939_range", "named_statuses", "nmea2000_range"]

_ALL = (1 << 64) - 1

_UNAVAILABLE = re.compile(
    r"not[\W_]*avail|unavail|^n[\W_]*/?[\W_]*a$|^sna$|^not[\W_]*installed|don.?t[\W_]*care|take[\W_]*no[\W_]*action",
    re.I,
)
_ERROR = re.compile(r"\berror|^error|error$|_error|_error_|fault[\W_]*indicat", re.I)
_RESERVED = re.compile(r"reserved|not[\W_]*defined|undefined", re.I)


class SignalStatus(IntEnum):
    """Whether a frame holds a value of the signal."""

    VALID = 0
    NOT_AVAILABLE = 1
    """The controller says that it has no value: the sensor is not there, or not read yet."""
    ERROR = 2
    """The controller says that the value is in error."""
    ABSENT = 3
    """The frame does not hold the signal: it is too short, or holds another branch of the multiplex."""
    RESERVED = 4
    """Above the valid range and neither of these: parameter specific or reserved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterRange:
    """The raw numbers (read as unsigned) at which each meaning begins; as made, all of them are values."""

    last_valid: int = _ALL
    first_error: int = _ALL
    first_unavailable: int | None = None
    """None: no raw value means 'not available'."""

    def status(self, raw: int) -> SignalStatus:
        """Give the status of one raw number.

        >>> j1939_range(16).status(0xFEFF)
        <SignalStatus.ERROR: 2>
        """
        if raw <= self.last_valid:
            return SignalStatus.VALID
        if self.first_unavailable is not None and raw >= self.first_unavailable:
            return SignalStatus.NOT_AVAILABLE
        return SignalStatus.ERROR if raw >= self.first_error else SignalStatus.RESERVED


ALL_VALID = ParameterRange()


def j1939_range(n_bits: int) -> ParameterRange:
    """Give the ranges of an unsigned parameter by SAE J1939-71 5.1.

    >>> j1939_range(8)
    ParameterRange(last_valid=250, first_error=254, first_unavailable=255)
    >>> j1939_range(2)
    ParameterRange(last_valid=1, first_error=2, first_unavailable=3)
    """
    ones = (1 << n_bits) - 1
    if n_bits < 2:
        return ALL_VALID
    if n_bits == 2:
        return ParameterRange(last_valid=1, first_error=2, first_unavailable=3)
    if n_bits in (8, 16, 24, 32):
        below = n_bits - 8
        return ParameterRange(
            last_valid=(0xFB << below) - 1, first_error=0xFE << below, first_unavailable=0xFF << below
        )
    return ParameterRange(last_valid=ones - 1, first_error=ones, first_unavailable=ones)


def nmea2000_range(n_bits: int) -> ParameterRange:
    """Give the ranges of an unsigned NMEA 2000 field: the highest number is 'not available', the next one an error."""
    ones = (1 << n_bits) - 1
    if n_bits < 2:
        return ALL_VALID
    if n_bits < 4:
        return ParameterRange(last_valid=ones - 1, first_error=ones, first_unavailable=ones)
    return ParameterRange(last_valid=ones - 2, first_error=ones - 1, first_unavailable=ones)


def named_statuses(choices: Mapping[int, str], ranges: ParameterRange, n_bits: int) -> dict[int, SignalStatus]:
    """Give the raw values whose name in the database says otherwise than the ranges do.

    A name that says 'not available' is taken at its word in any database. Within the ranges that J1939 sets aside, a
    name makes a raw value a state like any other, unless the name itself says error or reserved.

    Parameters
    ----------
    choices : raw value -> name; negative raw values are read as the same bits unsigned
    n_bits : width of the signal
    """
    exceptions: dict[int, SignalStatus] = {}
    for number, name in choices.items():
        if not -(1 << n_bits - 1) <= number < 1 << n_bits:
            continue  # no frame can say it
        raw = number & ((1 << n_bits) - 1)
        by_range = ranges.status(raw)
        if _UNAVAILABLE.search(name):
            said = SignalStatus.NOT_AVAILABLE
        elif by_range is not SignalStatus.VALID and _ERROR.search(name):
            said = SignalStatus.ERROR
        elif by_range is not SignalStatus.VALID and _RESERVED.search(name):
            said = SignalStatus.RESERVED
        else:
            said = SignalStatus.VALID
        if said is not by_range:
            exceptions[raw] = said
    return exceptions
