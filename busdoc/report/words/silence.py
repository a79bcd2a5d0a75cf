"""A silence of everybody, in words: it accuses nobody before it is known what it was."""

__all__ = ["NOBODY_HEARD", "RAN_ON", "WHAT_IT_WAS"]

NOBODY_HEARD = "No frame from anybody: the own plug or adapter, the key, or the machine's supply or bus."
RAN_ON = "Everybody ran on through the silence: the own plug or adapter, or the bus."
WHAT_IT_WAS = ("own plug or adapter", "key off", "the machine's supply or bus")
"""The three answers, in the order of their keys."""
