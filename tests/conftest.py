"""What holds for all tests: how hypothesis searches, where parsed databases are kept, which tests share a process."""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import Phase, settings

from busdoc.files.user_cache import user_cache

if TYPE_CHECKING:
    from xdist.scheduler import LoadFileScheduling

_TESTS = Path(__file__).parent

settings.register_profile("busdoc", deadline=None)
"""No test is timed: how long an example takes says something of the machine, and nothing of busdoc."""
settings.register_profile("mutants", deadline=None, phases=(Phase.explicit, Phase.generate), derandomize=True)
"""For a mutation tester: that a test fails is enough, with which example does not matter."""
settings.register_profile("ci", settings.get_profile("busdoc"), derandomize=True)
"""Where a change is judged, it is judged by the same examples each time; at hand, each run draws others."""
settings.load_profile("ci" if "CI" in os.environ else "busdoc")

os.environ.setdefault("NUMBA_CACHE_DIR", str(user_cache("kernels") or ""))
"""Kernels are compiled once for all runs, and not by each process anew."""
_KEPT = TemporaryDirectory(prefix="busdoc-tests-")
os.environ["BUSDOC_CACHE"] = _KEPT.name
"""The processes that tests start keep theirs here too, and none reads or writes what is the user's."""


os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
"""Hundreds of processes are started here: where nothing is kept, each would compile the whole package, and each worker
every test, anew. (`__pycache__` is not under version control.)"""

_LONGEST_FIRST = ("suite", "health", "intermittent", "isolation", "live", "capture", "cli", "screen")
"""Rooms whose files take long: begun last, one of them would run on alone while the other cores have nothing to do."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One more than there are cores: some tests wait for processes that they start."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> "LoadFileScheduling":
    """Keep the tests of a file in one process: what they share is made once, not once for each core."""
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False  # xdist would begin with the files that have the most tests
    return LoadFileScheduling(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the rooms that take longest."""
    rank = {room: n for n, room in enumerate(_LONGEST_FIRST)}
    items.sort(
        key=lambda item: (
            rank.get(Path(item.path).relative_to(_TESTS).parts[0], len(rank))
            if _TESTS in item.path.parents
            else len(rank)
        )
    )


@pytest.fixture
def ctrl_c_heard() -> Iterator[None]:
    """Have Ctrl-C do what it does at a terminal: a shell that starts tests in the background has it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
