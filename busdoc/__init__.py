"""CAN bus capture analyser for controller health.

`import busdoc` offers the calls of `busdoc.api`, each loaded when it is first used, so the import costs nothing.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    __version__: str
    from busdoc.api import (
        BusdocError,
        Capture,
        Database,
        Fleet,
        InputError,
        Journal,
        LearntMap,
        Machine,
        Result,
        Resync,
        baseline,
        document,
        fleet,
        headline,
        load_databases,
        load_journal,
        load_machine,
        open_capture,
        postmortem,
        resync,
        simulate,
        tables,
        watch,
        write_report,
        write_signals,
        write_tables,
    )

__all__ = [
    "BusdocError",
    "Capture",
    "Database",
    "Fleet",
    "InputError",
    "Journal",
    "LearntMap",
    "Machine",
    "Result",
    "Resync",
    "baseline",
    "document",
    "fleet",
    "headline",
    "load_databases",
    "load_journal",
    "load_machine",
    "open_capture",
    "postmortem",
    "resync",
    "simulate",
    "tables",
    "watch",
    "write_report",
    "write_signals",
    "write_tables",
]


def __getattr__(name: str) -> object:
    value: object
    if name == "__version__":
        from importlib.metadata import version

        value = version("busdoc")
    elif name in __all__:
        from busdoc import api

        value = getattr(api, name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, "__version__"})
