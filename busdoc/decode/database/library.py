"""Loads cantools' database package without the rest of cantools.

`import cantools` also brings in python-can for a part that is not needed here, and that brings in asammdf, pandas and
more where they are installed: 0.4 s against 0.04 s, a third of what a small capture may take from start to verdict.
"""

import importlib
import importlib.util
import sys
from types import ModuleType
from typing import Any

__all__ = ["cantools_database"]


class _PackageOnDemand(ModuleType):
    """A package whose own code runs when something that only it provides is asked for; its subpackages load as ever."""

    def __getattr__(self, name: str) -> Any:
        spec = self.__spec__
        if spec is None or spec.loader is None:
            raise AttributeError(name)
        self.__class__ = ModuleType  # type: ignore[assignment]  # from here on a package like any other
        spec.loader.exec_module(self)
        return getattr(self, name)


def cantools_database() -> Any:
    """Give the module `cantools.database`; whoever uses the rest of cantools later loads it then."""
    if "cantools" not in sys.modules and "can" not in sys.modules:
        spec = importlib.util.find_spec("cantools")
        if spec is not None and spec.submodule_search_locations is not None:
            package = _PackageOnDemand("cantools")
            package.__spec__, package.__file__, package.__loader__ = spec, spec.origin, spec.loader
            package.__path__ = list(spec.submodule_search_locations)
            package.__package__ = "cantools"
            sys.modules["cantools"] = package
    return importlib.import_module("cantools.database")
