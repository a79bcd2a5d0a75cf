"""A command as it is typed, without starting another Python for it."""

import io
from collections.abc import Callable

from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main

__all__ = ["Run", "typed"]

Run = Callable[..., tuple[int, str, str]]


def typed(*words: object, columns: int = 100) -> tuple[int, str, str]:
    """Type a command on a terminal of so many columns; give its exit status, what it printed, and its errors."""
    stdout, stderr = io.StringIO(), io.StringIO()
    surroundings = Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": str(columns)})
    status = main([str(word) for word in words], surroundings)
    return int(status), stdout.getvalue(), stderr.getvalue()
