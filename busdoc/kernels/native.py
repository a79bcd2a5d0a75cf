"""Kernels as machine code that was kept: loaded and called without the compiler that made it.

Loading numba takes 0.25 s and each of its kept kernels another 20 ms, most of it spent on types that were settled when
the kernel was compiled. Here the object code is given to LLVM's own loader (20 ms, and 1 ms a kernel), and called with
addresses and lengths. Calling lets go of the interpreter.
"""

import contextlib
import ctypes
import hashlib
import json
import os
import platform
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np

from busdoc.files.user_cache import keep_for_later

__all__ = [
    "NATIVE",
    "NEVER_CALLED",
    "KernelRaised",
    "NativeKernel",
    "Object",
    "kinds_of",
    "machine_key",
    "read_object",
    "write_object",
]

NATIVE = sys.platform == "linux" and platform.machine() == "x86_64" and not os.environ.get("NUMBA_DISABLE_JIT")
"""Whether object code is loaded here without numba: where that was tried. Elsewhere numba loads what it kept itself."""

NEVER_CALLED = "NRT_MemInfo_call_dtor"
"""What numba's code gives memory back with. Kernels are given all their arrays, and take no memory themselves."""

_lock = Lock()
_C_TYPE = {"p": ctypes.c_void_p, "i": ctypes.c_int64, "f": ctypes.c_double}
_RESULTS_AT = 2


class KernelRaised(Exception):
    """A kernel ended with an error, of which its machine code tells no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Object:
    """The machine code of one kernel for one set of argument types."""

    symbol: str
    kinds: tuple[str, ...]
    """What it takes, as `kinds_of` names it."""
    parameters: str
    """What its function takes, a letter for each: p an address, i a whole number, f a float."""
    results: str | None
    """What it gives, a letter for each, i or b; None where it gives one thing and no tuple; empty for nothing."""
    code: bytes


def kinds_of(arguments: Sequence[Any]) -> tuple[list[str], list[Any]]:
    """Name the types of arguments, and lay them out as a kernel's function takes them.

    Parameters
    ----------
    arguments : numpy arrays, contiguous; numbers; records (named tuples) of these

    Returns
    -------
    A word for each number and array, one for each end of a record; addresses, lengths and numbers
    """
    kinds: list[str] = []
    values: list[Any] = []
    _lay_out(arguments, kinds, values)
    return kinds, values


def _lay_out(arguments: Sequence[Any], kinds: list[str], values: list[Any]) -> None:
    for one in arguments:
        if isinstance(one, np.ndarray):
            kinds.append(f"{one.dtype.str}{one.ndim}" if one.flags.c_contiguous else "scattered")
            values.append(one.__array_interface__["data"][0])
            values.extend(one.shape)
        elif isinstance(one, tuple):
            kinds.append("(")
            _lay_out(one, kinds, values)
            kinds.append(")")
        elif isinstance(one, bool | np.bool_):
            kinds.append("b")
            values.append(int(one))
        elif isinstance(one, int | np.signedinteger):
            kinds.append("i")
            values.append(int(one))
        elif isinstance(one, float):
            kinds.append("f")
            values.append(float(one))
        else:
            kinds.append(type(one).__name__)


class NativeKernel:
    """A kernel that can be called.

    Raises
    ------
    RuntimeError, OSError : it cannot be loaded here
    """

    def __init__(self, made: Object) -> None:
        binding = _binding()
        with _lock:
            if not binding.address_of_symbol(NEVER_CALLED):  # where numba is loaded later, it puts its own there
                binding.add_symbol(NEVER_CALLED, ctypes.cast(ctypes.CDLL(None).abort, ctypes.c_void_p).value)
            engine = binding.create_mcjit_compiler(binding.parse_assembly(""), _target_machine())
            engine.add_object_file(binding.ObjectFileRef.from_data(made.code))
            engine.finalize_object()
            address = engine.get_function_address(made.symbol)
        if not address:
            raise RuntimeError("no such kernel")
        self._engine = engine  # the machine code lives as long as this
        self._kinds = list(made.kinds)
        types = [_C_TYPE[letter] for letter in made.parameters]
        self._function = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, *types)(address)
        self._results = made.results
        self._n_results = 1 if made.results is None else len(made.results)

    def takes(self, kinds: list[str]) -> bool:
        """Whether it was made for arguments of these types."""
        return kinds == self._kinds

    def call(self, values: list[Any]) -> Any:
        """Run it on what `kinds_of` laid out; the arrays must live as long.

        Raises
        ------
        KernelRaised : it ended with an error
        """
        # where the function leaves its own result (none) and what was raised; then what the kernel gave
        room = (ctypes.c_int64 * (_RESULTS_AT + self._n_results))()
        start = ctypes.addressof(room)
        if self._function(start, start + 8, *values, start + 8 * _RESULTS_AT):
            raise KernelRaised
        given = room[_RESULTS_AT:]
        if self._results is None:
            return given[0]
        return tuple(bool(one) if kind == "b" else one for one, kind in zip(given, self._results, strict=True)) or None


@cache
def machine_key() -> str:
    """Name the processor, whose instructions differ from those of others."""
    binding = _binding()
    told = f"{binding.get_process_triple()} {binding.get_host_cpu_name()} {_features(binding)}"
    return hashlib.sha256(told.encode()).hexdigest()[:12]


def read_object(path: Path) -> Object | None:
    """Read machine code that was kept; None where there is none, or what is there is damaged."""
    try:
        head, _, code = path.read_bytes().partition(b"\n")
        told = json.loads(head)
        if told["sha256"] != hashlib.sha256(code).hexdigest():
            return None
        return Object(
            symbol=told["symbol"],
            kinds=tuple(told["kinds"]),
            parameters=told["parameters"],
            results=told["results"],
            code=code,
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_object(path: Path, made: Object) -> None:
    """Keep machine code; where nothing may be written, it is not kept."""
    told = {
        "symbol": made.symbol,
        "kinds": made.kinds,
        "parameters": made.parameters,
        "results": made.results,
        "sha256": hashlib.sha256(made.code).hexdigest(),
    }
    keep_for_later(path, json.dumps(told).encode() + b"\n" + made.code)


@cache
def _binding() -> Any:
    """Load LLVM; numba, where it is loaded too, has begun it in the same way."""
    import llvmlite.binding as binding  # type: ignore[import-untyped]  # comes with numba

    with _lock:
        with contextlib.suppress(RuntimeError):  # newer versions begin by themselves
            binding.initialize()
        binding.initialize_native_target()
        binding.initialize_native_asmprinter()
    return binding


def _target_machine() -> Any:
    binding = _binding()
    return binding.Target.from_triple(binding.get_process_triple()).create_target_machine(jit=True)


def _features(binding: Any) -> str:
    try:
        return str(binding.get_host_cpu_features().flatten())
    except RuntimeError:  # not every system tells
        return ""
