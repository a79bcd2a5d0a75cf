"""What goes to a worker, and what comes back from it."""

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from busdoc.many.intake.capture import FleetCapture

__all__ = ["Judged", "Outcome", "Reports", "Task", "packed", "unpacked"]


class Outcome(StrEnum):
    """How the judging of one capture ended."""

    JUDGED = "judged"
    COULD_NOT = "could not"
    """It, or what it is judged with, cannot be used; the sentence says why."""
    FAILED = "failed"
    """busdoc itself failed on it, or its process ended: it is tried again in the next run."""


class Reports(StrEnum):
    """Which captures get a report of their own."""

    ALL = "all"
    TROUBLE = "trouble"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One capture to be judged."""

    number: int
    capture: FleetCapture
    zone: str | None = None
    reports: Reports = Reports.ALL


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What a worker sends back."""

    number: int
    outcome: Outcome
    content: str | None = None
    """SHA-256 of the capture; None: it could not be read."""
    n_bytes: int = 0
    sentence: str = ""
    """Why it could not be judged."""
    body: bytes = b""
    """What the fleet keeps of the result, packed."""
    document: str = ""
    """What `busdoc postmortem --json` prints, to the byte."""
    report: str = ""
    """HTML; empty: none was asked for."""


def packed(body: Mapping[str, Any]) -> bytes:
    """Pack rows for the way to the store, and for keeping there."""
    return zlib.compress(json.dumps(body, ensure_ascii=False, allow_nan=False).encode(), 6)


def unpacked(content: bytes) -> dict[str, Any]:
    """Give the rows that were packed."""
    found: dict[str, Any] = json.loads(zlib.decompress(content))
    return found
