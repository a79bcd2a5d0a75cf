"""How moments and waits are written on the screen: short, and of one width."""

from datetime import UTC, datetime, tzinfo

__all__ = ["countdown", "moment", "share", "since"]

_S = 10**9


def moment(t_ns: int, start_ns: int, *, epoch: bool, zone: tzinfo | None = None) -> str:
    """Write an instant as the time of day, or as time since the start where the recording has no clock.

    Parameters
    ----------
    zone : None: the laptop's own

    Examples
    --------
    >>> moment(1_700_000_061 * 10**9, 0, epoch=True, zone=UTC), moment(61 * 10**9, 0, epoch=False)
    ('22:14:21', '+01:01')
    """
    if epoch:
        return datetime.fromtimestamp(t_ns // _S, UTC).astimezone(zone).strftime("%H:%M:%S")
    whole = max(0, t_ns - start_ns) // _S
    hours = f"{whole // 3600}:" if whole >= 3600 else ""
    return f"+{hours}{whole // 60 % 60:02d}:{whole % 60:02d}"


def since(d_ns: int) -> str:
    """Write how long something has lasted, in at most six letters.

    >>> [since(s * 10**9) for s in (0, 59, 754, 5025, 400_000)]
    ['0 s', '59 s', '12 min', '83 min', '111 h']
    """
    whole = max(0, d_ns) // _S
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60} min" if whole < 6000 else f"{whole // 3600} h"


def countdown(d_ns: int) -> str:
    """Write a wait that is running down; the last second counts as one.

    >>> [countdown(d) for d in (42_000_000_001, 10**9, 1, 0, 3_725 * 10**9)]
    ['0:43', '0:01', '0:01', '0:00', '1:02:05']
    """
    whole = -(-max(0, d_ns) // _S)
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


def share(probability: float) -> str:
    """Write a probability in a column: never surer than it is.

    >>> [share(p) for p in (0.874, 0.9991, 0.0004)]
    ['87 %', '>99 %', '<1 %']
    """
    if probability > 0.99:
        return ">99 %"
    return "<1 %" if probability < 0.01 else f"{probability * 100:.0f} %"
