"""Names for the numpy arrays that travel through busdoc, each with its dtype."""

from typing import TypeAlias

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
