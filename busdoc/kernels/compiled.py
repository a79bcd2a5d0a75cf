"""Kernels: functions that are compiled to machine code, once for a machine, and kept.

Compiling takes seconds, so what comes of it is kept on disk (`busdoc.kernels.kept`), as machine code that is loaded
without the compiler (`busdoc.kernels.native`). On systems where that was not shown to work, and for a kernel that it
does not work for, numba keeps and loads it. Only compiling, and these, load numba (0.25 s).

numba is an extra: where it is not installed, no kernel is asked for, and numpy or the grammar of each kind of capture
does the same, several times as slowly.
"""

from collections.abc import Callable
from functools import cached_property, update_wrapper
from importlib.util import find_spec
from pathlib import Path
from threading import RLock
from typing import Any

from busdoc.kernels.ahead import start_ahead, wait_for_ahead
from busdoc.kernels.kept import content_key, kernel_folder
from busdoc.kernels.native import (
    NATIVE,
    KernelRaised,
    NativeKernel,
    Object,
    kinds_of,
    machine_key,
    read_object,
    write_object,
)
from busdoc.kernels.telling import tell_of

__all__ = ["FromNumba", "Kernel", "compiled", "entry_kernels", "has_compiler"]


def has_compiler() -> bool:
    """Whether kernels can be compiled here: who has the choice by size takes the other way where they cannot."""
    return find_spec("numba") is not None


def compiled(signature: Any = None, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Make a kernel of a function: compiled for one signature, it runs beside the interpreter's lock.

    Where nothing may be written, it is compiled anew in each process.

    Parameters
    ----------
    signature : of the kernel, as numba writes it, or what gives it (called when it is compiled, with the kernel's
        name); without one it is compiled for the types of its first call
    options : numba's own
    """

    def decorate(function: Callable[..., Any]) -> Any:
        return Kernel(function, signature, options)

    return decorate


class FromNumba:
    """Something that a kernel uses and that only numba can make; `make` is called when the kernel is compiled."""

    def __init__(self, make: Callable[[], Any]) -> None:
        self._make = make

    def for_numba(self, *, alone: bool) -> Any:
        """Give it; `alone` changes nothing here."""
        return self._made

    @cached_property
    def _made(self) -> Any:
        return self._make()


class Kernel:
    """A function that is compiled when it is first called, or loaded where that was done before."""

    def __init__(self, function: Callable[..., Any], signature: Any, options: dict[str, Any]) -> None:
        update_wrapper(self, function)
        self.py_func: Any = function
        self._signature = signature
        self._options = options
        self._lock = RLock()
        self._native: NativeKernel | None = None
        self._is_left_to_numba = not NATIVE

    def __call__(self, *arguments: Any) -> Any:
        """Run it on arrays that are contiguous and may be written, numbers, and records of these."""
        if self._is_left_to_numba:
            return self._of_numba(*arguments)
        kinds, values = kinds_of(arguments)
        native = self._native or self._ready(arguments)
        if native is None or not native.takes(kinds):  # numba says what is wrong with them
            return self._of_numba(*arguments)
        try:
            return native.call(values)
        except KernelRaised:
            return self._of_numba(*arguments)

    def for_numba(self, *, alone: bool) -> Any:
        """Give numba's own object for the kernel, which kernels can call; see `dispatcher_of`."""
        return self._alone if alone else self._of_numba

    def is_kept(self) -> bool:
        """Whether it needs no compiling."""
        if self.is_kept_natively():
            return True
        from busdoc.kernels.compiler import is_kept_by_numba

        return is_kept_by_numba(self.py_func)

    def is_kept_natively(self) -> bool:
        """Whether its machine code lies there; where there is none for any processor, LLVM is not asked for ours."""
        if not NATIVE or self._place is None or not any(self._place.glob(f"{self.py_func.__qualname__}-*.native")):
            return False
        return self._path is not None and self._path.exists()

    def prepare(self) -> None:
        """Compile it and keep it, where it has a signature and is not kept."""
        if self._signature is not None and not self.is_kept() and self._ready(()) is None:
            self._of_numba  # noqa: B018  # made, and kept by numba

    def _ready(self, arguments: tuple[Any, ...]) -> NativeKernel | None:
        """Load its machine code, compiling it if it must be; None where it is left to numba."""
        with self._lock:
            if self._native is None and not self._is_left_to_numba:
                try:
                    self._native = self._loaded(arguments)
                except Exception:  # whatever the inside of a version of numba or LLVM answers
                    self._is_left_to_numba = True
            return self._native

    def _loaded(self, arguments: tuple[Any, ...]) -> NativeKernel:
        path = self._path
        made = None if path is None else read_object(path)
        if path is not None and made is None and self._signature is not None:
            start_ahead()
            if wait_for_ahead(self.__module__, path.exists):
                made = read_object(path)
        if made is None:
            tell_of(self.py_func.__name__)
            made = self._compiled(arguments)
            if path is not None:
                write_object(path, made)
        return NativeKernel(made)

    def _compiled(self, arguments: tuple[Any, ...]) -> Object:
        from busdoc.kernels.compiler import argument_types, object_of, types_of_arguments

        signature = self._known_signature
        types = types_of_arguments(arguments) if signature is None else argument_types(signature)
        return object_of(self._alone, types)

    @cached_property
    def _place(self) -> Path | None:
        """The folder in which it is kept; None: nowhere."""
        folder = kernel_folder()
        return None if folder is None else folder / content_key(self.py_func, self.py_func.__code__.co_filename)

    @cached_property
    def _path(self) -> Path | None:
        """Where its machine code for this processor is kept; None: nowhere."""
        return None if self._place is None else self._place / f"{self.py_func.__qualname__}-{machine_key()}.native"

    @property
    def _known_signature(self) -> Any:
        return self._signature(self.py_func.__name__) if callable(self._signature) else self._signature

    @cached_property
    def _alone(self) -> Any:
        from busdoc.kernels.compiler import dispatcher_of

        return dispatcher_of(self.py_func, self._known_signature, self._options, alone=True)

    @cached_property
    def _of_numba(self) -> Any:
        from busdoc.kernels.compiler import dispatcher_of, is_kept_by_numba

        with self._lock:
            if self._signature is not None and not is_kept_by_numba(self.py_func):
                if kernel_folder() is not None:
                    start_ahead()
                if not wait_for_ahead(self.__module__, lambda: is_kept_by_numba(self.py_func)):
                    tell_of(self.py_func.__name__)
            return dispatcher_of(self.py_func, self._known_signature, self._options, alone=False)


def entry_kernels(module: Any) -> list[Kernel]:
    """Give the kernels of a module that no other one in it calls."""
    kernels = {name: one for name, one in vars(module).items() if isinstance(one, Kernel)}
    called = {name for one in kernels.values() for name in one.py_func.__code__.co_names}
    return [one for name, one in kernels.items() if name not in called]
