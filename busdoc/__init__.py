"""CAN bus capture analyser for controller health.

`import busdoc` offers the calls of `busdoc.api`, each loaded when it is first used, so the import costs nothing.
"""

import sys
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busdoc.api import (
        BusdocError,
        Capture,
        Database,
        InputError,
        Journal,
        Machine,
        Result,
        document,
        headline,
        load_databases,
        load_journal,
        load_machine,
        open_capture,
        postmortem,
        tables,
        write_report,
        write_signals,
        write_tables,
    )

__all__ = [
    "BusdocError",
    "Capture",
    "Database",
    "InputError",
    "Journal",
    "Machine",
    "Result",
    "document",
    "headline",
    "load_databases",
    "load_journal",
    "load_machine",
    "open_capture",
    "postmortem",
    "tables",
    "write_report",
    "write_signals",
    "write_tables",
]

__version__ = "0.1.0"


class _Package(ModuleType):
    """Keeps a submodule from hiding the call of the same name: importing `busdoc.postmortem` would do that."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in __all__ and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from busdoc import api

    value: object = getattr(api, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
