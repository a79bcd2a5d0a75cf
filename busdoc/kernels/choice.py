"""Whether a compiled kernel repays what it takes to have it.

That is seconds where it must be compiled, on a machine's first run, and 50 ms where it is kept and only loaded. Whoever
has the choice gives the same answer either way.
"""

import importlib
from functools import cache
from pathlib import Path

from busdoc.kernels.compiled import entry_kernels, has_compiler
from busdoc.kernels.kept import kernel_folder

__all__ = ["repays", "repays_by_frames"]

_LARGE = 400_000
"""Frames from which compiling is worth it."""
_KEPT_SHARE = 0.1
"""Of what makes compiling worth it, how much makes it worth it to load what was compiled before."""


def repays(share: float, module: str) -> bool:
    """Whether an input is large enough for a kernel.

    Parameters
    ----------
    share : the input's size, as a share of what makes compiling worth it
    module : which holds the kernel
    """
    if share < _KEPT_SHARE or not has_compiler():
        return False
    return share >= 1 or _is_kept(module, kernel_folder())


def repays_by_frames(n_frames: int, module: str) -> bool:
    """Whether so many frames are enough for a kernel of the analysis."""
    return repays(n_frames / _LARGE, module)


@cache
def _is_kept(module: str, folder: Path | None) -> bool:
    """Whether all kernels of a module were compiled before; looked for once in each folder."""
    if folder is None:
        return False
    return all(one.is_kept_natively() for one in entry_kernels(importlib.import_module(module)))
