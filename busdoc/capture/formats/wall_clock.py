"""Wall-clock times without a zone, as some captures write them, to Unix time."""

from datetime import datetime

from busdoc.capture.reading import Reading
from busdoc.times import SECOND_NS

__all__ = ["unix_ns"]


def unix_ns(start: datetime, reading: Reading) -> int:
    """Give the Unix time of a wall clock without a zone, and say which zone was taken."""
    zone = reading.wall_clock
    reading.warn(f"its times are wall-clock times without a zone; they are read as {zone}.")
    return round(start.replace(tzinfo=zone, microsecond=0).timestamp()) * SECOND_NS + start.microsecond * 1000
