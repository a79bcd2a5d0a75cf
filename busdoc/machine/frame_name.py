"""A frame identifier as people write it in a map: ``0x18FF3131`` or ``0x181``."""

import re

__all__ = ["parse_frame_name"]

_HEX = re.compile(r"0[xX]([0-9A-Fa-f]{1,8})")
_LAST_BASE = 0x7FF
_LAST_EXTENDED = 0x1FFFFFFF


def parse_frame_name(value: object) -> tuple[int, bool] | None:
    """Read an identifier, and whether it has 29 bits; None when it is not one.

    Eight digits always mean 29 bits, as in a `.log` capture; fewer do when the number does not fit into 11. A plain
    number has lost its leading zeros, so only its size counts.

    >>> parse_frame_name("0x18FF3131") == (0x18FF3131, True), parse_frame_name("0x00000181"), parse_frame_name(0x181)
    (True, (385, True), (385, False))
    """
    if isinstance(value, str):
        match = _HEX.fullmatch(value.strip())
        if match is None:
            return None
        number = int(match.group(1), 16)
        extended = len(match.group(1)) == 8 or number > _LAST_BASE
    elif isinstance(value, int) and not isinstance(value, bool):
        number = value
        extended = number > _LAST_BASE
    else:
        return None
    return (number, extended) if 0 <= number <= _LAST_EXTENDED else None
