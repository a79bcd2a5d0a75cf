"""Each number once: the short way against numpy's own."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busdoc.arrays import distinct


@given(st.lists(st.integers(0, 255)), st.sampled_from([np.uint8, np.int32, np.int64]))
def test_it_gives_what_numpy_gives(numbers: list[int], dtype: type[np.integer]) -> None:
    found = distinct(np.array(numbers, dtype))
    assert found.dtype == dtype
    assert found.tolist() == np.unique(np.array(numbers, dtype)).tolist()
