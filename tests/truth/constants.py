"""The isolation engine with another value of one of its named constants, for a while: what fits them needs that."""

import ast
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module

import numpy as np

__all__ = ["constant_set_to"]

_ROOT = "busdoc.isolation"


@contextmanager
def constant_set_to(name: str, text: str) -> Iterator[None]:
    """Set a constant wherever the engine's modules hold it, for a while.

    Raises
    ------
    ValueError
        There is no such constant, or `text` is no value of its kind.
    """
    place, _, attribute = name.rpartition(".")
    home = import_module(f"{_ROOT}.{place}")
    if not attribute.strip("_").isupper() or not hasattr(home, attribute):
        raise ValueError(f"{_ROOT}.{place}: expected a constant, found {attribute!r}. Name one in upper case.")
    old: object = getattr(home, attribute)
    value: object = ast.literal_eval(text)
    new = np.array(value, np.float64) if isinstance(old, np.ndarray) else value
    if not isinstance(new, int if type(old) is int else (int, float) if type(old) is float else type(old)):
        raise ValueError(f"{name}: expected a {type(old).__name__}, found {text!r}. Write it as in Python.")
    holders = [
        module
        for module_name, module in sorted(sys.modules.items())
        if module_name.startswith(_ROOT) and getattr(module, attribute, None) is old
    ]
    try:
        for module in holders:
            setattr(module, attribute, new)
        _forget_what_was_worked_out()
        yield
    finally:
        for module in holders:
            setattr(module, attribute, old)
        _forget_what_was_worked_out()


def _forget_what_was_worked_out() -> None:
    """Clear the caches of everything that depends on constants."""
    for module_name, module in sorted(sys.modules.items()):
        if module_name.startswith(_ROOT):
            for member in vars(module).values():
                if hasattr(member, "cache_clear"):
                    member.cache_clear()
