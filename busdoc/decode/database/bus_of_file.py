"""Which file and which of its buses a database is given by: ``FILE:BUS``, or a file alone for all of its buses."""

from pathlib import Path

from busdoc.decode.database.text import SUFFIXES

__all__ = ["split_bus", "with_bus"]

_MARK = ":"


def split_bus(given: Path) -> tuple[Path, str]:
    """Give the file, and the bus that is named behind it; an empty text where none is.

    A colon that stands elsewhere than right behind a database's suffix belongs to the path, as that of a drive does.
    """
    text = str(given)
    ends = [at + len(suffix) for suffix in SUFFIXES if (at := text.lower().find(f"{suffix}{_MARK}")) >= 0]
    if not ends or given.exists():
        return given, ""
    return Path(text[: min(ends)]), text[min(ends) + len(_MARK) :]


def with_bus(file: Path, bus: str) -> Path:
    """Write both as one again, as `split_bus` takes it."""
    return file.with_name(f"{file.name}{_MARK}{bus}") if bus else file
