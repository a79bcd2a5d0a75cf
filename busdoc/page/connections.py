"""How many connections there may be, and how long one may take to say what it wants.

The session writes its recording with the same process: connections may use up neither its files nor its memory. One
too many is closed before it is read from; with encryption it is counted before it has shaken hands.
"""

import asyncio
import weakref
from typing import Any, ClassVar

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

__all__ = ["MOST_CONNECTIONS", "PATIENCE_S", "GuardedConnection"]

MOST_CONNECTIONS = 64
_MOST_OF_ONE_ADDRESS = 40
PATIENCE_S = 10.0
"""So long a line may take to say what it wants, or to send it."""


class GuardedConnection(H11Protocol):
    """One connection."""

    patience_s = PATIENCE_S
    _all: ClassVar["weakref.WeakSet[GuardedConnection]"] = weakref.WeakSet()

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._all.add(self)
        self._over = len(self._all) > 2 * MOST_CONNECTIONS
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
        """Take a connection, or close it."""
        super().connection_made(transport)
        here = [one for one in self.connections if isinstance(one, GuardedConnection)]
        address = self.client[0] if self.client else ""
        own = sum(1 for one in here if one.client and one.client[0] == address)
        if self._over or len(here) > MOST_CONNECTIONS or own > _MOST_OF_ONE_ADDRESS:
            transport.abort()
            return
        self._deadline = self.loop.call_later(self.patience_s, self._too_slow)

    def connection_lost(self, exc: Exception | None) -> None:
        """Let it go."""
        if self._deadline is not None:
            self._deadline.cancel()
        self._all.discard(self)
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Wait for what it asks for next."""
        super().on_response_complete()
        if self._deadline is not None:
            self._deadline.cancel()
        if not self.transport.is_closing():
            self._deadline = self.loop.call_later(self.patience_s, self._too_slow)

    def _too_slow(self) -> None:
        """End a connection that has asked for nothing yet, however busily it sends headers."""
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()
