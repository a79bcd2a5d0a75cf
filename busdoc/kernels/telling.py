"""Who is told that a kernel is being compiled, which takes seconds."""

from collections.abc import Callable

__all__ = ["tell_of", "when_compiling"]

_tell: list[Callable[[str], None]] = []


def when_compiling(tell: Callable[[str], None] | None) -> None:
    """Have `tell` called with the name of every kernel that is compiled from now on, before that is done; None: nobody.

    It may be called in any thread.
    """
    _tell[:] = [] if tell is None else [tell]


def tell_of(kernel: str) -> None:
    """Tell that a kernel is compiled now."""
    for tell in _tell:
        tell(kernel)
