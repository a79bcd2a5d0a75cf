"""The board between two threads: the session's pins up what is shown, the server's hands it to whoever looks.

A reader is never queued for: it takes, part by part, the newest that it has not seen. A slow phone costs nothing.
"""

import asyncio
import json
import threading
from collections.abc import Iterable, Mapping

__all__ = ["Board", "Reader"]


class Board:
    """Parts with their versions."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._parts: dict[str, tuple[int, bytes]] = {}
        self._version = 0
        self.loop: asyncio.AbstractEventLoop | None = None
        """In which the readers live; None before the server runs."""
        self._readers: set[Reader] = set()
        self.n_readers = 0

    def serve_in(self, loop: asyncio.AbstractEventLoop) -> None:
        """Say in which loop the readers live."""
        self.loop = loop

    def pin(self, parts: Mapping[str, object]) -> bool:
        """Pin up what is shown; parts that are as they were are left. Called in any thread; True: something is new."""
        texts = {name: json.dumps(value, ensure_ascii=False, separators=(",", ":")) for name, value in parts.items()}
        new = False
        with self._lock:
            for name, text in texts.items():
                data = text.encode("utf-8", "replace")
                if name not in self._parts or self._parts[name][1] != data:
                    self._version += 1
                    self._parts[name] = (self._version, data)
                    new = True
        if new and self.loop is not None and self.n_readers:
            try:
                self.loop.call_soon_threadsafe(self._wake)
            except RuntimeError:  # the server has ended
                return new
        return new

    def newer_than(self, version: int) -> tuple[int, list[tuple[str, bytes]]]:
        """Give the parts that are newer, in the order in which they were pinned up, and the version they make."""
        with self._lock:
            found = sorted((at, name, data) for name, (at, data) in self._parts.items() if at > version)
            return self._version, [(name, data) for _, name, data in found]

    def enter(self, reader: "Reader") -> None:
        """Let a reader in; called in the loop. The first one waits for what is pinned up next: what hangs is old."""
        if not self._readers:
            with self._lock:
                self._parts.clear()
        self._readers.add(reader)
        self.n_readers = len(self._readers)

    def leave(self, reader: "Reader") -> None:
        """Let a reader go; called in the loop."""
        self._readers.discard(reader)
        self.n_readers = len(self._readers)

    def readers_of(self, phone: str) -> Iterable["Reader"]:
        """Give the readers of one phone, the oldest first."""
        return sorted((one for one in self._readers if one.phone == phone), key=lambda one: one.began)

    def dismiss_all(self) -> None:
        """Have all readers end; called in the loop."""
        for reader in self._readers:
            reader.dismiss()

    def _wake(self) -> None:
        for reader in self._readers:
            reader.wake.set()


class Reader:
    """One that looks: a page that is open.

    Parameters
    ----------
    phone : whose it is
    began : grows from one to the next
    """

    def __init__(self, phone: str, began: int) -> None:
        self.phone = phone
        self.began = began
        self.wake = asyncio.Event()
        self.wake.set()
        self.dismissed = False
        self.version = 0

    def dismiss(self) -> None:
        """Have it end."""
        self.dismissed = True
        self.wake.set()
