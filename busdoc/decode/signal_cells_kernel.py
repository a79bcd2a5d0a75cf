"""The compiled path of filling cells: the same as `CellRows.take`, for millions of values."""

from typing import Any

import numba

__all__ = ["fold_cells"]


@numba.njit("void(float64[::1], int64[::1], float32[::1], float32[::1], float32[::1])", cache=True, nogil=True)
def fold_cells(values: Any, cell: Any, low: Any, high: Any, last: Any) -> None:
    """Take in values of one series; the state of a cell is written when the next one begins.

    Parameters
    ----------
    values : (n,) NaN where there is none
    cell : (n,) non-decreasing; negative where there is none
    low, high, last : (cells,) changed
    """
    at = 0
    while at < len(values) and cell[at] < 0:
        at += 1
    while at < len(values) and cell[at] >= 0:
        here = cell[at]
        least, most, newest = low[here], high[here], last[here]
        while at < len(values) and cell[at] == here:
            value = numba.float32(values[at])
            if value - value == 0.0:  # neither infinite nor NaN
                least = min(least, value)
                most = max(most, value)
                newest = value
            at += 1
        low[here], high[here], last[here] = least, most, newest
