"""What a verdict depends on beside the capture itself: map, databases, journal, zone, and the version of busdoc."""

import hashlib
import os
from importlib import metadata

from busdoc.errors import BusdocError
from busdoc.many.intake.addresses import brought_here, content_hash, stamp_of
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.kept.schema import SCHEMA

__all__ = ["BesideKeys"]


class BesideKeys:
    """Gives one text for all that a capture is judged with; each file is read once.

    Parameters
    ----------
    zone : in which times of day are written
    """

    def __init__(self, zone: str | None) -> None:
        self._common = f"{SCHEMA}\n{metadata.version('busdoc')}\n{zone}\n"
        self._known: dict[str, str] = {}

    def of(self, capture: FleetCapture) -> str:
        """Give the text; the same for the same content, wherever it lies."""
        whole = hashlib.sha256(self._common.encode())
        named: list[tuple[str, str | None]] = [("map", capture.machine_file), ("journal", capture.journal)]
        named += [(f"database {channel}", address) for channel, address in capture.databases]
        for role, address in named:
            whole.update(f"{role}\n{'' if address is None else self._hash(address)}\n".encode())
        return whole.hexdigest()

    def _hash(self, address: str) -> str:
        if address not in self._known:
            try:
                with brought_here([address]) as (path,):
                    # what lies where makes no difference, but a file's name is told in warnings
                    self._known[address] = f"{os.path.basename(address)} {content_hash([path])}"
            except (OSError, BusdocError):  # said when the capture is judged; where it is there next time, that is new
                self._known[address] = f"gone {address} {stamp_of([address])}"
        return self._known[address]
