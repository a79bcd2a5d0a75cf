"""How the kernels are compiled, and where the result is kept.

Compiling takes seconds, so numba keeps the result on disk. It would do so beside each module, where another virtual
environment does not find it and where an installation may not be written; here it is kept in the user's own cache,
under the content of the module, the versions that made it and the interpreter. The environment variable
NUMBA_CACHE_DIR, where it is set, still says where.

numba itself (0.25 s) is loaded with the first kernel. It is an extra: where it is not installed, no kernel is asked
for, and numpy or the grammar of each kind of capture does the same, several times as slowly.
"""

import hashlib
import os
import sys
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from busdoc.kernels.ahead import start_ahead, wait_for_ahead

__all__ = ["compiled", "has_compiler", "when_compiling"]

_PACKAGE = Path(__file__).parents[1]
_tell: list[Callable[[str], None]] = []


def has_compiler() -> bool:
    """Whether kernels can be compiled here: who has the choice by size takes the other way where they cannot."""
    return find_spec("numba") is not None


def when_compiling(tell: Callable[[str], None] | None) -> None:
    """Have `tell` called with the name of every kernel that is compiled from now on, before that is done; None: nobody.

    It may be called in any thread.
    """
    _tell[:] = [] if tell is None else [tell]


def compiled(*signature: Any, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a kernel for one signature, to run beside the interpreter's lock, and keep the result.

    Where nothing may be written, neither in the user's cache nor beside the module, it is compiled anew each time.

    Parameters
    ----------
    signature : of the kernel; without one it is compiled at its first call
    options : numba's own
    """

    def decorate(function: Callable[..., Any]) -> Any:
        njit = _njit()
        try:
            if signature and not _is_kept(function):  # one without is compiled when it is called, if ever by itself
                start_ahead()
                if not wait_for_ahead(function.__module__, lambda: _is_kept(function)) and _tell:
                    _tell[0](function.__name__)
            return njit(*signature, cache=True, nogil=True, **options)(function)
        except RuntimeError:  # numba's answer to having nowhere to write
            return njit(*signature, nogil=True, **options)(function)

    return decorate


@cache
def _njit() -> Any:
    """Load numba and tell it where the kernels of this package are kept."""
    import numba
    from numba.core import caching, config

    _leave_blas_alone()

    untyped: Any = caching
    user_wide: Any = getattr(caching, "UserWideCacheLocator", None) or untyped._UserWideCacheLocator
    kept: Any = getattr(caching, "CacheImpl", None) or untyped._CacheImpl  # older versions: with an underscore

    class SharedLocator(user_wide):  # type: ignore[misc]  # untyped
        """Keeps the kernels of this package where every environment of the user that has the same ones finds them."""

        def __init__(self, py_func: Any, py_file: str) -> None:
            super().__init__(py_func, py_file)
            self._cache_path = os.path.join(_cache_folder(), _content_key(py_func, py_file))

        @classmethod
        def from_function(cls, py_func: Any, py_file: str) -> Any:
            if getattr(config, "CACHE_DIR", "") or _PACKAGE not in Path(py_file).parents:
                return None
            return super().from_function(py_func, py_file)

    kept._locator_classes.insert(0, SharedLocator)
    return numba.njit


def _leave_blas_alone() -> None:
    """Keep numba from importing scipy.linalg (0.2 s) with its first kernel, only to see whether it is there.

    Whoever compiles a product of matrices in the same process still gets it: numba asks again there.
    """
    try:
        import numba.np.linalg as linalg

        asked = linalg.ensure_blas
        linalg.ensure_blas = _nothing
        try:
            import numba.np.arraymath  # noqa: F401  # asks while it is imported
        finally:
            linalg.ensure_blas = asked
    except (ImportError, AttributeError):
        pass  # a version that asks in another way, or not at all


def _nothing() -> None:
    """Stand for numba's question."""


def _is_kept(function: Callable[..., Any]) -> bool:
    from numba.core import caching

    untyped: Any = caching
    place = untyped.CompileResultCacheImpl(function)
    return (Path(place.locator.get_cache_path()) / f"{place.filename_base}.nbi").exists()


@cache
def _cache_folder() -> str:
    """Give the folder for kept kernels in the user's cache, by the custom of the system."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return os.path.join(base, "busdoc", "kernels")


def _content_key(py_func: Any, py_file: str) -> str:
    """Name what a kernel is made of: the text of its module and of those whose kernels it calls, and its makers.

    Constants that a module has from others count too.
    """
    import llvmlite  # type: ignore[import-untyped]  # comes with numba
    import numba

    digest = hashlib.sha256()
    for file, constants in sorted(_made_of(py_func, py_file).items()):
        digest.update(Path(file).name.encode() + Path(file).read_bytes() + constants.encode())
    for part in (numba.__version__, llvmlite.__version__, sys.version):
        digest.update(part.encode())
    return digest.hexdigest()[:20]


def _made_of(py_func: Any, py_file: str) -> dict[str, str]:
    """Give the file of a kernel and those of the kernels that it may call, each with the constants it has."""
    found: dict[str, str] = {}
    left = [(py_func, py_file)]
    while left:
        function, file = left.pop()
        if file in found:
            continue
        names = function.__globals__
        found[file] = repr(sorted((k, repr(v)) for k, v in names.items() if isinstance(v, int | float | tuple)))
        called = [one.py_func for one in names.values() if hasattr(one, "py_func")]
        left += [(one, one.__code__.co_filename) for one in called]
    return found
