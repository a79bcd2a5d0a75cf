"""How a test waits for another thread or process: until something happened, never for a time that should do."""

import threading
import time
from collections.abc import Callable

__all__ = ["wait_for"]

_GIVEN_UP_S = 120.0


def wait_for(happened: Callable[[], bool]) -> None:
    """Wait until a function says yes; a test whose other side has died fails after two minutes instead of hanging."""
    until_s = time.monotonic() + _GIVEN_UP_S
    while not happened():
        assert time.monotonic() < until_s, "it did not happen"
        threading.Event().wait(0.01)
