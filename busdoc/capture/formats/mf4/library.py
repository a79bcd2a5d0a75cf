"""The library that reads `.mf4`, without what it imports only for other uses.

asammdf imports pandas (with pyarrow) and canmatrix when it is imported, 0.25 s, for tables and databases that nobody
asks it for here. It is given empty modules instead, as type annotations and `isinstance` want them. Only a process that
does nothing else may do so: whoever asks such a module for anything gets an empty class.
"""

import importlib
import sys
from types import ModuleType
from typing import Any

__all__ = ["load_mdf"]

_NOT_NEEDED = ("pandas", "canmatrix", "canmatrix.canmatrix", "canmatrix.formats")
_LIBRARY = "asammdf"


class _Empty(ModuleType):
    """A module whose every name is an empty class."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.__path__: list[str] = []  # that of a package: others are looked for in it

    def __getattr__(self, name: str) -> type:
        if name.startswith("__"):
            raise AttributeError(name)
        made = type(name, (), {})
        setattr(self, name, made)
        return made


def load_mdf(*, alone: bool) -> Any:
    """Give the library's class of a file.

    Parameters
    ----------
    alone : whether the process does nothing but read one file, so that what the library imports beside may be left out
    """
    if alone and not any(name in sys.modules for name in (_LIBRARY, *_NOT_NEEDED)):
        before = set(sys.modules)
        sys.modules.update({name: _Empty(name) for name in _NOT_NEEDED})
        try:
            return importlib.import_module(_LIBRARY).MDF
        except Exception:  # another version wants more of them: then it is given all that it imports
            for name in sys.modules.keys() - before:
                del sys.modules[name]
    import can  # noqa: F401  # python-can first: imported after asammdf it silently does without .mf4

    return importlib.import_module(_LIBRARY).MDF
