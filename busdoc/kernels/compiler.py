"""Compiles kernels with numba: to machine code that is kept (`busdoc.kernels.native`), or as numba keeps them itself.

Loading this module loads numba (0.25 s). It speaks of numba's inside, which may change: where making machine code by
itself fails, a kernel is left to numba.
"""

import importlib
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FunctionType
from typing import Any

from busdoc.kernels.kept import content_key, kernel_folder
from busdoc.kernels.native import NEVER_CALLED, Object

__all__ = ["argument_types", "dispatcher_of", "is_kept_by_numba", "object_of", "types_of_arguments"]

_PACKAGE = Path(__file__).parents[1]
numba: Any = importlib.import_module("numba")  # its types are told in part only
types: Any = numba.types
_core: Any = importlib.import_module("numba.core")
_caching: Any = importlib.import_module("numba.core.caching")
_compiler: Any = importlib.import_module("numba.core.compiler")
_locking: Any = importlib.import_module("numba.core.compiler_lock")
_numpy_support: Any = importlib.import_module("numba.np.numpy_support")
# older versions have these with an underscore
_UserWide: Any = getattr(_caching, "UserWideCacheLocator", None) or _caching._UserWideCacheLocator
_CacheImpl: Any = getattr(_caching, "CacheImpl", None) or _caching._CacheImpl


class _SharedLocator(_UserWide):  # type: ignore[misc]  # untyped
    """Has numba keep the kernels of this package where `kernel_folder` says."""

    def __init__(self, py_func: Any, py_file: str) -> None:
        super().__init__(py_func, py_file)
        self._cache_path = str((kernel_folder() or Path()) / content_key(py_func, py_file))

    @classmethod
    def from_function(cls, py_func: Any, py_file: str) -> Any:
        if getattr(_core.config, "CACHE_DIR", "") or kernel_folder() is None or _PACKAGE not in Path(py_file).parents:
            return None
        return super().from_function(py_func, py_file)


_CacheImpl._locator_classes.insert(0, _SharedLocator)


def is_kept_by_numba(function: Callable[..., Any]) -> bool:
    """Whether numba has kept a kernel."""
    if kernel_folder() is None:
        return False
    try:
        place = _caching.CompileResultCacheImpl(function)
    except RuntimeError:  # numba's answer to having nowhere to write
        return False
    return (Path(place.locator.get_cache_path()) / f"{place.filename_base}.nbi").exists()


def dispatcher_of(function: Callable[..., Any], signature: Any, options: dict[str, Any], *, alone: bool) -> Any:
    """Give numba's own object for a kernel, which other kernels can call.

    Parameters
    ----------
    alone : for machine code that must need nothing of numba: nothing is kept
    """
    given = () if signature is None else (signature,)
    assert isinstance(function, FunctionType)
    names = dict(function.__globals__)
    for name in function.__code__.co_names:
        if hasattr(names.get(name), "for_numba"):
            names[name] = names[name].for_numba(alone=alone)
    copy = FunctionType(function.__code__, names, function.__name__, function.__defaults__, function.__closure__)
    copy.__module__, copy.__qualname__, copy.__doc__ = function.__module__, function.__qualname__, function.__doc__
    copy.__annotations__ = function.__annotations__
    if alone:
        return numba.njit(*given, no_cpython_wrapper=True, no_cfunc_wrapper=True, **options)(copy)
    try:
        return numba.njit(*given, cache=kernel_folder() is not None, nogil=True, **options)(copy)
    except RuntimeError:  # nowhere to write, again
        return numba.njit(*given, nogil=True, **options)(copy)


def argument_types(signature: Any) -> tuple[Any, ...]:
    """Give the types of the arguments of a signature, as text or in numba's own form."""
    sigutils: Any = importlib.import_module("numba.core.sigutils")
    found, _ = sigutils.normalize_signature(signature)
    return tuple(found)


def types_of_arguments(arguments: Sequence[Any]) -> tuple[Any, ...]:
    """Give numba's types for arguments, as a kernel takes them: every array may be written."""
    return tuple(_as_taken(numba.typeof(one)) for one in arguments)


def _as_taken(kind: Any) -> Any:
    if isinstance(kind, types.Array):
        return types.Array(kind.dtype, kind.ndim, kind.layout)
    if isinstance(kind, types.BaseNamedTuple):
        return types.BaseTuple.from_types([_as_taken(one) for one in kind.types], kind.instance_class)
    return types.int64 if isinstance(kind, types.Integer) and kind.signed else kind


def object_of(dispatcher: Any, arguments: Sequence[Any]) -> Object:
    """Compile a kernel to machine code for arguments of some types.

    It becomes a function of addresses, lengths and numbers, which builds the arrays and records and calls the kernel.
    numba's functions give a status, take the address of their own result (here none) and of what was raised, then their
    arguments.

    Parameters
    ----------
    dispatcher : of `dispatcher_of`, alone
    """
    text = _Text()
    built = [text.built(kind) for kind in arguments]
    target: Any = importlib.import_module("numba.core.registry").cpu_target
    with _locking.global_compiler_lock:
        target.typing_context.refresh()
        target.target_context.refresh()
        template, *_ = dispatcher.get_call_template(tuple(arguments), {})
        del template
        (gives,) = {made.signature.return_type for made in dispatcher.overloads.values()}
        results, lines = _results(gives)
        names: dict[str, Any] = {"kernel": dispatcher, "carray": numba.carray, "int64": types.int64, **text.records}
        call = f"kernel({', '.join(built)})"
        source = [
            f"def flat({', '.join([*text.names, 'results'])}):",
            *([f"    {call}"] if gives == types.none else [f"    given = {call}", "    out = carray(results, (8,))"]),
            *lines,
        ]
        exec("\n".join(source), names)  # made of the names of types alone
        flags = _compiler.Flags()
        flags.no_cpython_wrapper = flags.no_cfunc_wrapper = flags.no_compile = True
        flags.nrt = True
        kinds = (*text.types, types.CPointer(types.int64))
        made = _compiler.compile_extra(
            target.typing_context, target.target_context, names["flat"], kinds, types.void, flags, locals={}
        )
        library = made.library
        library.finalize()
        code = library._codegen._tm.emit_object(library._final_module)
        elsewhere = [one.name for one in library._final_module.functions if one.is_declaration]
        known = ("llvm.", NEVER_CALLED)
        needed = [name for name in elsewhere if not name.startswith(known) and name.encode() in code]
        if needed:  # functions of numba's own, for one to allocate: without numba they are not there
            raise NotImplementedError(f"it needs {needed}")
        symbol = made.fndesc.llvm_func_name
    return Object(
        symbol=symbol,
        kinds=tuple(text.kinds),
        parameters="".join(text.letters) + "p",
        results=results,
        code=code,
    )


class _Text:
    """Gathers what a function of plain arguments takes, and how the kernel's arguments are built of them."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.types: list[Any] = []
        self.letters: list[str] = []
        self.kinds: list[str] = []
        self.records: dict[str, type] = {}

    def built(self, kind: Any) -> str:
        """Take parameters for an argument of a type; give the text that builds it.

        Raises
        ------
        NotImplementedError : a type that kernels do not take in this way
        """
        if isinstance(kind, types.Array) and kind.layout == "C":
            # named by numpy's word for the type, as `kinds_of` does
            self.kinds.append(f"{_numpy_support.as_dtype(kind.dtype).str}{kind.ndim}")
            start = self._parameter(types.CPointer(kind.dtype), "p")
            shape = [self._parameter(types.int64, "i") for _ in range(kind.ndim)]
            return f"carray({start}, ({', '.join(shape)},))"
        if isinstance(kind, types.BaseNamedTuple):
            record = f"Record{len(self.records)}"
            self.records[record] = kind.instance_class
            self.kinds.append("(")
            inside = [self.built(one) for one in kind.types]
            self.kinds.append(")")
            return f"{record}({', '.join(inside)})"
        if isinstance(kind, types.Boolean):
            self.kinds.append("b")
            return f"({self._parameter(types.int64, 'i')} != 0)"
        if isinstance(kind, types.Integer) and kind.signed and kind.bitwidth == 64:
            self.kinds.append("i")
            return self._parameter(types.int64, "i")
        if kind == types.float64:
            self.kinds.append("f")
            return self._parameter(types.float64, "f")
        raise NotImplementedError(str(kind))

    def _parameter(self, kind: Any, letter: str) -> str:
        self.names.append(f"a{len(self.names)}")
        self.types.append(kind)
        self.letters.append(letter)
        return self.names[-1]


def _results(gives: Any) -> tuple[str | None, list[str]]:
    """Say what a kernel gives, and write the lines that put it into its place.

    Raises
    ------
    NotImplementedError : a type that kernels do not give in this way
    """
    if gives == types.none:
        return "", []
    parts = list(gives.types) if isinstance(gives, types.BaseTuple) else [gives]
    if len(parts) > 8 or not all(isinstance(one, types.Integer | types.Boolean) for one in parts):
        raise NotImplementedError(str(gives))
    letters = "".join("b" if isinstance(one, types.Boolean) else "i" for one in parts)
    if not isinstance(gives, types.BaseTuple):
        return None, ["    out[0] = int64(given)"]
    return letters, [f"    out[{at}] = int64(given[{at}])" for at in range(len(parts))]


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


_leave_blas_alone()
