"""What several tests of reports read."""

from pathlib import Path

import pytest

import busdoc
from busdoc.analysis.result import Result

ROOT = Path(__file__).parents[2]
STORY = ROOT / "captures" / "street_sweeper"


@pytest.fixture(scope="session")
def sweeper() -> Result:
    """Give the verdict on the bundled machine, with all that is known of it."""
    return busdoc.postmortem(
        STORY / "capture.log.gz",
        databases=ROOT / "dbc_examples" / "street_sweeper.dbc",
        machine=STORY / "machine.toml",
        journal=STORY / "actions.csv",
    )
