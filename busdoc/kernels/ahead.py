"""The first run on a machine: a second process compiles some kernels while this one compiles the others.

The compiler works in one thread at a time. What the other process made is loaded from where kernels are kept.
"""

import atexit
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence

from busdoc.kernels.cores import cores

__all__ = ["compile_ahead", "start_ahead", "wait_for_ahead"]

_LOOK_EVERY_S = 0.05
_lock = threading.Lock()
_wanted: list[str] = []
_child: "list[subprocess.Popen[bytes]]" = []


def compile_ahead(modules: Sequence[str]) -> None:
    """Name modules whose kernels will be needed soon; they are compiled in another process if it comes to that."""
    with _lock:
        if cores() > 1 and not _child:
            _wanted[:] = modules


def start_ahead() -> None:
    """Begin with it: the first kernel was met that must be compiled."""
    with _lock:
        if not _wanted or _child:
            return
        command = [sys.executable, "-m", "busdoc.kernels.make", *_wanted]
        quiet = subprocess.DEVNULL
        try:
            _child.append(subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet))
        except OSError:  # then all is compiled here
            return
        atexit.register(_end)


def wait_for_ahead(module: str, is_kept: Callable[[], bool]) -> bool:
    """Wait for a kernel that the other process compiles; whether it is there."""
    if module not in _wanted or not _child:
        return False
    while not is_kept():
        try:
            _child[0].wait(_LOOK_EVERY_S)
        except subprocess.TimeoutExpired:
            continue
        return is_kept()
    return True


def _end() -> None:
    for child in _child:
        child.kill()
        child.wait()
