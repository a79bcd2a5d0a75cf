"""What holds for all tests: how hypothesis searches, and where parsed databases are kept."""

import os
from tempfile import TemporaryDirectory

from hypothesis import settings

settings.register_profile("busdoc", deadline=None)
"""No test is timed: how long an example takes says something of the machine, and nothing of busdoc."""
settings.load_profile("busdoc")

_KEPT = TemporaryDirectory(prefix="busdoc-tests-")
os.environ["BUSDOC_CACHE"] = _KEPT.name
"""The processes that tests start keep theirs here too, and none reads or writes what is the user's."""
