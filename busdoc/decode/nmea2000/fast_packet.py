"""The NMEA 2000 fast packet: up to 223 bytes in frames that count themselves (layout as the open library n2k reads it).

Byte 1 holds the sequence (bits 8 to 6) and the number of the frame (bits 5 to 1). Frame 0 brings the total length and 6
bytes, each further frame 7. The parameter group alone says whether it is sent so.
"""

from typing import Final

__all__ = ["FAST_PACKET_PGNS", "n_frames", "wanted_bytes"]

_FIRST_BYTES = 6
_NEXT_BYTES = 7


def n_frames(size: int) -> int:
    """Tell how many frames carry `size` bytes.

    >>> n_frames(6), n_frames(7), n_frames(223)
    (1, 2, 32)
    """
    return 1 + max(0, -(-(size - _FIRST_BYTES) // _NEXT_BYTES))


def wanted_bytes(size: int, number: int) -> int:
    """Tell how many payload bytes frame `number` of a message of `size` bytes brings."""
    if number == 0:
        return min(size, _FIRST_BYTES)
    return min(_NEXT_BYTES, max(0, size - _FIRST_BYTES - _NEXT_BYTES * (number - 1)))


def _published() -> frozenset[int]:
    single = (
        "126208 126464 126720 126983 126984 126985 126986 126987 126988 126996 126998 127233 127237 127489 "
        "127490 127491 127494 127495 127496 127497 127498 127503 127504 127506 127507 127509 127510 127511 "
        "127512 127513 127514 128275 128520 128538 129029 129038 129039 129040 129041 129044 129045 129284 "
        "129285 129301 129302 129538 129540 129541 129542 129545 129547 129549 129551 129556 129792 129793 "
        "129794 129795 129796 129797 129798 129799 129800 129801 129802 129803 129804 129805 129806 129807 "
        "129808 129809 129810 129811 129812 129813 129814 129815 129816 130052 130053 130054 130060 130061 "
        "130064 130065 130066 130067 130068 130069 130070 130071 130072 130073 130074 130320 130321 130322 "
        "130323 130324 130330 130561 130562 130563 130564 130565 130566 130567 130569 130570 130571 130572 "
        "130573 130574 130577 130578 130580 130581 130583 130584 130586 "
    )
    return frozenset(int(pgn) for pgn in single.split()) | frozenset(range(130816, 131072))


FAST_PACKET_PGNS: Final = _published()
"""Groups that are sent as fast packets by the open library n2k, with the makers' own range 130816 to 131071."""
