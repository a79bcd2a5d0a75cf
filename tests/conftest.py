"""What holds for all tests: how hypothesis searches."""

from hypothesis import Phase, settings

settings.register_profile("busdoc", deadline=None)
"""No test is timed: how long an example takes says something of the machine, and nothing of busdoc."""
settings.register_profile("mutants", deadline=None, phases=(Phase.explicit, Phase.generate), derandomize=True)
"""For a mutation tester: that a test fails is enough, with which example does not matter."""
settings.load_profile("busdoc")
