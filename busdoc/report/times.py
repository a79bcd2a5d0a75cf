"""How times and durations are written for people and for scripts."""

from datetime import UTC, datetime

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


def duration(d_ns: int) -> str:
    """Write a duration the way a person would say it.

    >>> duration(312_000_000), duration(7_420_000_000), duration(94 * 10**9), duration(5025 * 10**9)
    ('312 ms', '7.4 s', '1 min 34 s', '1 h 23 min')
    """
    if d_ns < 0:
        return "-" + duration(-d_ns)
    if d_ns < 9_995_000:
        return f"{d_ns / 1e6:.2g} ms"
    if d_ns < 999_500_000:
        return f"{d_ns / 1e6:.0f} ms"
    if d_ns < 59_950_000_000:
        return f"{d_ns / 1e9:.1f} s"
    whole_s = round(d_ns / 1e9)
    if whole_s < 3600:
        return f"{whole_s // 60} min {whole_s % 60} s" if whole_s % 60 else f"{whole_s // 60} min"
    return f"{whole_s // 3600} h {whole_s % 3600 // 60} min"


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
