"""Commands run in this process, with streams that can be read afterwards."""

import io
from collections.abc import Callable

import pytest

from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main


@pytest.fixture
def run(request: pytest.FixtureRequest) -> Callable[..., tuple[int, str, str]]:
    """Run one command; give its exit status, stdout and stderr. `COLUMNS` of the test's module is the width."""
    columns = getattr(request.module, "COLUMNS", "100")

    def run_command(*words: object) -> tuple[int, str, str]:
        stdout, stderr = io.StringIO(), io.StringIO()
        surroundings = Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": columns})
        status = main([str(word) for word in words], surroundings)
        return int(status), stdout.getvalue(), stderr.getvalue()

    return run_command
