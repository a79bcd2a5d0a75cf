"""Where compiled kernels are kept, and under which name: what they are made of, and what made them.

They lie in the user's own cache, where every environment of the user that has the same ones finds them. The environment
variable NUMBA_CACHE_DIR, where it is set, says where instead, for kernels alone.
"""

import hashlib
import importlib.util
import os
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from busdoc.files.user_cache import user_cache

__all__ = ["content_key", "kernel_folder", "made_of"]


def kernel_folder() -> Path | None:
    """Give the folder for kept kernels; None: none is kept."""
    told = os.environ.get("NUMBA_CACHE_DIR")
    return Path(told) / "busdoc-kernels" if told else user_cache("kernels")


def content_key(py_func: Any, py_file: str) -> str:
    """Name what a kernel is made of: the text of its module and of those whose kernels it calls, and its makers.

    Constants and tables that a module has from others count too.
    """
    digest = hashlib.sha256(_makers())
    for file, constants in sorted(made_of(py_func, py_file).items()):
        digest.update(Path(file).name.encode() + Path(file).read_bytes() + constants.encode())
    return digest.hexdigest()[:20]


def made_of(py_func: Any, py_file: str) -> dict[str, str]:
    """Give the file of a kernel and those of the kernels that it may call, each with the constants it has."""
    found: dict[str, str] = {}
    left = [(py_func, py_file)]
    while left:
        function, file = left.pop()
        if file in found:
            continue
        names = function.__globals__
        found[file] = repr(sorted((name, _constant(value)) for name, value in names.items() if _is_constant(value)))
        called = [one.py_func for one in names.values() if hasattr(one, "py_func")]
        left += [(one, one.__code__.co_filename) for one in called]
    return found


def _is_constant(value: object) -> bool:
    return isinstance(value, int | float | tuple | np.ndarray)


def _constant(value: object) -> str:
    return hashlib.sha256(value.tobytes()).hexdigest() if isinstance(value, np.ndarray) else repr(value)


@cache
def _makers() -> bytes:
    """Name the compiler and the interpreter; numba by its own file of versions, since loading it takes 0.25 s."""
    import llvmlite  # type: ignore[import-untyped]  # comes with numba

    spec = importlib.util.find_spec("numba")
    version = Path(spec.origin).with_name("_version.py") if spec is not None and spec.origin else None
    numba = version.read_bytes() if version is not None and version.exists() else b""
    return numba + str(llvmlite.__version__).encode() + sys.version.encode()
