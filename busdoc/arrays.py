"""Names for the numpy arrays that travel through busdoc, each with its dtype; what numpy takes long to begin with."""

from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = [
    "BoolArray",
    "Float32Array",
    "Float64Array",
    "Int32Array",
    "Int64Array",
    "UInt8Array",
    "UInt16Array",
    "UInt32Array",
    "UInt64Array",
    "distinct",
]

BoolArray: TypeAlias = npt.NDArray[np.bool_]
Float32Array: TypeAlias = npt.NDArray[np.float32]
Float64Array: TypeAlias = npt.NDArray[np.float64]
Int32Array: TypeAlias = npt.NDArray[np.int32]
Int64Array: TypeAlias = npt.NDArray[np.int64]
UInt8Array: TypeAlias = npt.NDArray[np.uint8]
UInt16Array: TypeAlias = npt.NDArray[np.uint16]
UInt32Array: TypeAlias = npt.NDArray[np.uint32]
UInt64Array: TypeAlias = npt.NDArray[np.uint64]

_Number = TypeVar("_Number", bound=np.integer[Any])


def distinct(numbers: npt.NDArray[_Number]) -> npt.NDArray[_Number]:
    """Give each whole number once, ascending, as `np.unique` does; for that it imports numpy.ma, 20 ms of each run."""
    ordered = np.sort(numbers, axis=None)
    is_new = np.ones(len(ordered), np.bool_)
    is_new[1:] = ordered[1:] != ordered[:-1]
    return ordered[is_new]
