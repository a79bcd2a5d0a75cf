"""The command line, for the tests of a fleet."""

import pytest

from tests.typed import Run, typed


@pytest.fixture
def run() -> Run:
    """Type a command on a terminal of 100 columns."""
    return typed
