"""What a run over a fleet gives to a program: typed findings, the tables as frames, and where everything lies."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from busdoc.many.baselines import KindBaseline
    from busdoc.many.conclusions.findings import Findings

__all__ = ["Fleet"]


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """What many captures tell, and where it lies. Each table is read from its Parquet files when it is first asked for.

    The columns are those of the page on fleets, the partition `machine` among them; rows ascend by `capture`.
    """

    folder: Path
    """All of it, with each capture's own verdict and report below `captures/`."""
    page: Path
    """The page for people."""
    tables_folder: Path
    """The Parquet files, a folder for each table, partitioned by machine."""
    findings: "Findings"
    """Rates, who is worse than its fellows, trends and changes, of each kind of machine."""
    baselines: "tuple[KindBaseline, ...]" = ()
    """What was learnt of each kind, where it was asked for."""

    @cached_property
    def captures(self) -> "pd.DataFrame":
        """A row for each recording, whatever came of it."""
        return self._read("captures")

    @cached_property
    def controllers(self) -> "pd.DataFrame":
        """A row for each controller of a recording."""
        return self._read("controllers")

    @cached_property
    def parts(self) -> "pd.DataFrame":
        """A row for each part and each controller of a recording, with the dropouts that speak of it."""
        return self._read("parts")

    @cached_property
    def dropouts(self) -> "pd.DataFrame":
        """A row for each dropout that counts."""
        return self._read("dropouts")

    @property
    def failures(self) -> "pd.DataFrame":
        """The recordings that could not be judged, by `machine` and `address`, with the `sentence` that says why."""
        rows = self.captures[self.captures["outcome"] != "judged"]
        return rows[["machine", "address", "sentence"]]

    def _read(self, name: str) -> "pd.DataFrame":
        from busdoc.many.kept.tables import read_table

        return read_table(self.tables_folder, name)
