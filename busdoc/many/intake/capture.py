"""One capture of a fleet: where it lies, whose it is, and what it is judged with."""

import json
from dataclasses import asdict, dataclass

__all__ = ["FleetCapture"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetCapture:
    """One recording of one machine, by addresses: paths, or anything that the user's environment can open (fsspec)."""

    files: tuple[str, ...]
    """That make up the recording, or one folder."""
    machine: str
    kind: str = ""
    """Kind of machine; empty: the name that its map gives."""
    machine_file: str | None = None
    databases: tuple[tuple[int | str | None, str], ...] = ()
    """(channel, address); None: for every channel."""
    journal: str | None = None
    hours: float | None = None
    """What the machine's hour meter showed when the recording began."""
    changed: str = ""
    """The day on which this machine was changed, as ISO 8601 writes it; empty: it was not."""
    covariates: tuple[tuple[str, str], ...] = ()
    """What else the manifest says of it: (column, value)."""

    @property
    def address(self) -> str:
        """The recording in one text."""
        return ";".join(self.files)

    def as_text(self) -> str:
        """Write it on one line, to be read by `from_text`."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_text(cls, text: str) -> "FleetCapture":
        """Read what `as_text` wrote."""
        told = json.loads(text)
        for name in ("files", "databases", "covariates"):
            told[name] = tuple(tuple(one) if isinstance(one, list) else one for one in told[name])
        return cls(**told)
