"""Loaded by each worker on this computer: Ctrl-C is for the process that runs the command, which then ends them."""

import contextlib
import signal
from typing import Any

__all__ = ["dask_setup"]


def dask_setup(_: Any) -> None:
    """Leave Ctrl-C to others; Dask calls this once the worker is up."""
    with contextlib.suppress(ValueError):  # no main thread, so no signals either
        signal.signal(signal.SIGINT, signal.SIG_IGN)
