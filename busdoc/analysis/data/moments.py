"""Times as pandas has them, and times that a caller gives."""

from datetime import datetime
from typing import TYPE_CHECKING

from busdoc.arrays import Int64Array
from busdoc.errors import InputError
from busdoc.times import SECOND_NS, nanoseconds_of_float

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Moment", "moment_ns", "time_index"]

Moment = float | datetime
"""Seconds on the capture's clock, or a date and time with its zone."""


def time_index(t_ns: Int64Array, *, epoch: bool) -> "pd.DatetimeIndex | pd.TimedeltaIndex":
    """Give times as an index named `time`: in UTC, or as time since the capture's own zero.

    Parameters
    ----------
    t_ns : (n,) ns
    epoch : they are Unix times
    """
    import pandas as pd

    if epoch:
        return pd.DatetimeIndex(t_ns.astype("datetime64[ns]"), name="time").tz_localize("UTC")
    return pd.TimedeltaIndex(t_ns.astype("timedelta64[ns]"), name="time")


def moment_ns(moment: Moment, name: str, *, epoch: bool) -> int:
    """Give an instant on the capture's clock, ns.

    Parameters
    ----------
    name : of the argument, for a message
    epoch : the capture's times are Unix times

    Raises
    ------
    InputError : no number, a date without a zone, or one where the capture's clock has no dates
    """
    if isinstance(moment, datetime):
        if not epoch:
            advice = "Write seconds, such as 12.5."
            raise InputError(name, "seconds on the capture's own clock, which has no dates", f"{moment}", advice)
        if moment.tzinfo is None:
            advice = "Write for example pandas.Timestamp('2026-03-02 07:14', tz='UTC')."
            raise InputError(name, "a date and time with its zone", f"{moment} without one", advice)
        exact = getattr(moment, "value", None) if hasattr(moment, "as_unit") else None  # pandas' own, to the nanosecond
        if exact is not None:
            return int(moment.as_unit("ns").value)  # type: ignore[attr-defined]
        return round(moment.timestamp() * 1_000_000) * (SECOND_NS // 1_000_000)
    try:
        return nanoseconds_of_float(float(moment))
    except (TypeError, ValueError, OverflowError) as error:
        advice = "Write for example 1772435678.2, or a pandas Timestamp with its zone."
        raise InputError(name, "seconds, or a date and time", f"{moment!r}", advice) from error
