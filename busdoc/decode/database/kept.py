"""Keeps what database files hold in the user's cache folder, so that the library that parses them loads once a file.

`import cantools` brings in python-can, asammdf and pandas, about a second: more than a small capture takes from start
to verdict. What was parsed is therefore kept as JSON, one file for each content and name of a database. The name of a
kept file is a digest of that content, of the modules beside this one (which turn the library's objects into messages)
and of the library's version, so what another version kept is never read. A kept file that is broken, or a folder that
cannot be written, costs that second again and is no error.
"""

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from busdoc.decode.database.message import DatabaseFile, Message, Signal, SignalKind
from busdoc.decode.database.parameter_range import ParameterRange, SignalStatus
from busdoc.files.user_cache import keep_for_later, user_cache

__all__ = ["keep", "kept", "kept_path"]

_MOST_KEPT = 64
"""Files; the oldest go first."""


def kept_path(name: str, raw: bytes) -> Path | None:
    """Give where a database file of this name and content is kept, whether it is or not; None: nothing is kept."""
    folder, made_by = user_cache("databases"), _made_by()
    if folder is None or made_by is None:
        return None
    digest = sha256(made_by + sha256(os.fsencode(name)).digest() + raw)
    return folder / f"{digest.hexdigest()}.json"


def kept(path: Path) -> DatabaseFile | None:
    """Read what was kept under a path of `kept_path`; None when nothing was, or when it cannot be used."""
    try:
        found = json.loads(path.read_bytes())
        return DatabaseFile(
            messages=tuple(_message(message) for message in found["messages"]),
            nodes=tuple(found["nodes"]),
            warnings=tuple(found["warnings"]),
            buses=tuple(found["buses"]),
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def keep(path: Path, file: DatabaseFile) -> None:
    """Keep what a database file holds under a path of `kept_path`, whole or not at all; no word where that fails."""
    if keep_for_later(path, json.dumps(file, default=_fields).encode("utf-8")):
        with suppress(OSError):
            _remove_oldest(path.parent)


def _remove_oldest(folder: Path) -> None:
    oldest_first = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime_ns)
    for path in oldest_first[:-_MOST_KEPT]:
        path.unlink(missing_ok=True)


def _made_by() -> bytes | None:
    """Give what decides what a database's bytes become; None where the installation does not show it."""
    library = find_spec("cantools")
    if library is None or library.origin is None:
        return None
    # read off the folder's name: asking `importlib.metadata` takes 0.07 s, which is longer than the library parses
    versions = sorted(path.name for path in Path(library.origin).parents[1].glob("cantools-*.dist-info"))
    ours = Path(__file__).parent
    modules = sorted((*ours.glob("*.py"), ours.parent / "j1939" / "identifier.py"))
    try:
        sources = b"".join(path.read_bytes() for path in modules)
    except OSError:
        return None
    return sha256(sources + repr(versions).encode("utf-8")).digest() if versions else None


def _fields(record: Any) -> dict[str, Any]:
    """Take a record apart for JSON."""
    return {name: getattr(record, name) for name in record.__slots__}


def _message(found: Mapping[str, Any]) -> Message:
    return Message(
        **{
            **found,
            "senders": tuple(found["senders"]),
            "signals": tuple(_signal(signal) for signal in found["signals"]),
        }
    )


def _signal(found: Mapping[str, Any]) -> Signal:
    return Signal(
        **{
            **found,
            "choices": _by_number(found["choices"]),
            "multiplexer_values": tuple((first, last) for first, last in found["multiplexer_values"]),
            "kind": SignalKind(found["kind"]),
            "ranges": ParameterRange(**found["ranges"]),
            "named_status": {raw: SignalStatus(said) for raw, said in _by_number(found["named_status"]).items()},
        }
    )


def _by_number(table: Mapping[str, Any]) -> dict[int, Any]:
    """Give a table of raw numbers its numbers back: the keys of JSON are texts."""
    return {int(number): entry for number, entry in table.items()}
