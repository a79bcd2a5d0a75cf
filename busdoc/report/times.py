"""How times and durations are written for people and for scripts."""

from datetime import UTC, datetime

from busdoc.isolation.span import duration

__all__ = ["clock", "duration", "seconds"]

_S = 10**9


def seconds(t_ns: int) -> float:
    """Turn integer nanoseconds into seconds, as exactly as a float can hold them.

    A time near today is good to about 0.24 microseconds as a float; durations are far better.

    >>> seconds(1_500_000_000)
    1.5
    """
    whole, rest = divmod(t_ns, _S)
    return whole + rest / _S


def clock(t_ns: int, start_ns: int, *, epoch: bool) -> str:
    """Write an instant as time since the start of the capture, with the time of day (UTC) where it is known.

    >>> clock(61_250_000_000, 0, epoch=False)
    '+01:01.250'
    >>> clock(1_700_000_061_250_000_000, 1_700_000_000_000_000_000, epoch=True)
    '+01:01.250 (22:14:21)'
    """
    since_ms = (t_ns - start_ns + 500_000) // 1_000_000
    sign = "-" if since_ms < 0 else "+"
    minutes, rest_ms = divmod(abs(since_ms), 60_000)
    text = f"{sign}{minutes:02d}:{rest_ms // 1000:02d}.{rest_ms % 1000:03d}"
    if minutes >= 60:
        text = f"{sign}{minutes // 60}:{minutes % 60:02d}:{rest_ms // 1000:02d}.{rest_ms % 1000:03d}"
    if epoch:
        text += f" ({datetime.fromtimestamp(t_ns // _S, UTC):%H:%M:%S})"
    return text
