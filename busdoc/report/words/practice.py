"""That a record is one of practice, as screen, report and page say it."""

__all__ = ["PRACTICE_MARK", "PRACTICE_SAID"]

PRACTICE_MARK = "PRACTICE"
"""On every line and page that could be taken for a machine's."""
PRACTICE_SAID = "Practice: a machine in software, no real one. Nothing here is a record of a machine."
