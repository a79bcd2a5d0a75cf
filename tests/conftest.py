"""What holds for all tests: how hypothesis searches, where parsed databases are kept, which tests share a process."""

import os
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import Phase, settings

if TYPE_CHECKING:
    from xdist.scheduler import LoadFileScheduling

settings.register_profile("busdoc", deadline=None)
"""No test is timed: how long an example takes says something of the machine, and nothing of busdoc."""
settings.register_profile("mutants", deadline=None, phases=(Phase.explicit, Phase.generate), derandomize=True)
"""For a mutation tester: that a test fails is enough, with which example does not matter."""
settings.register_profile("ci", settings.get_profile("busdoc"), derandomize=True)
"""Where a change is judged, it is judged by the same examples each time; at hand, each run draws others."""
settings.load_profile("ci" if "CI" in os.environ else "busdoc")

_KEPT = TemporaryDirectory(prefix="busdoc-tests-")
os.environ["BUSDOC_CACHE"] = _KEPT.name
"""The processes that tests start keep theirs here too, and none reads or writes what is the user's."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> "LoadFileScheduling":
    """Keep the tests of a file in one process: what they share is made once, not once for each core."""
    from xdist.scheduler import LoadFileScheduling

    return LoadFileScheduling(config, log)
