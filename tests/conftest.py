"""What holds for all tests: how hypothesis searches."""

from hypothesis import settings

settings.register_profile("busdoc", deadline=None)
"""No test is timed: how long an example takes says something of the machine, and nothing of busdoc."""
settings.load_profile("busdoc")
