"""Which adapters listen without taking part, how each is told to, and what can be learnt of whether it does.

What makes an adapter listen only differs from interface to interface; the tables have all that python-can knows (the
constructors of its interfaces, version 4.6). Setting an option is no proof: where the driver can be asked it is asked,
and what the driver or python-can says against it while opening counts more than what it was told.
"""

import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from busdoc.capture.bus.link import LinkFacts

__all__ = [
    "LISTEN_ONLY",
    "RATE_ELSEWHERE",
    "DriverSays",
    "Silence",
    "commands_to_listen",
    "driver_says",
    "silence_of",
    "silencing",
]

LISTEN_ONLY: Mapping[str, Mapping[str, object]] = {
    "cantact": {"monitor": True},
    # python-can silences the handle that it writes with; the one that it reads with would take part beside it
    "kvaser": {"driver_mode": False, "single_handle": True},  # DRIVER_MODE_SILENT
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
"""What each interface must be given to listen only; ``state`` is a `can.BusState`."""

RATE_ELSEWHERE = frozenset({"serial", "socketcan", "socketcand", "udp_multicast", "virtual"})
"""Interfaces whose bit rate is set outside the program, or that have none."""

_TOLD_ELSEWHERE: Mapping[str, str] = {
    "serial": "whether it acknowledges is up to the device behind the line",
    "socketcan": "whether it acknowledges is up to the device and its driver",
    "socketcand": "whether it acknowledges is up to the far end",
    "udp_multicast": "",
    "virtual": "",
}
_TAKES_PART = "it takes part in the bus: it acknowledges frames as any node does"
_UNCONFIRMED = "it was told to listen only; its driver cannot be asked whether it does"
_REFUSED = "it was told to listen only, and its driver says that it does not"


_NOBODY = logging.NullHandler()
"""Hears what is said later: of that, a reading that fails tells by itself."""


def _asked_pcan(bus: Any) -> bool | None:
    from can.interfaces.pcan.basic import PCAN_ERROR_OK, PCAN_LISTEN_ONLY, PCAN_PARAMETER_ON

    status, value = bus.m_objPCANBasic.GetValue(bus.m_PcanHandle, PCAN_LISTEN_ONLY)
    return bool(value == PCAN_PARAMETER_ON) if status == PCAN_ERROR_OK else None


def _asked_vector(bus: Any) -> bool | None:
    return bool(bus.mask & bus.permission_mask == bus.mask)  # only who may set a channel up could silence it


def _asked_nixnet(bus: Any) -> bool | None:
    return bool(bus._interface.can_lstn_only)


_ASKED: Mapping[str, Callable[[Any], bool | None]] = {
    "nixnet": _asked_nixnet,
    "pcan": _asked_pcan,
    "vector": _asked_vector,
}
"""How an adapter that is open is asked whether it listens only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """Whether an adapter keeps silent, and what there is to say about it."""

    listen_only: bool | None
    """True: it was told to keep silent. False: it takes part. None: that is settled outside the program."""
    note: str = ""
    remarks: tuple[str, ...] = ()
    """To be told once, and written down."""


@dataclass(slots=True)
class DriverSays:
    """What python-can and a driver warned of while an adapter was opened."""

    warnings: list[str] = field(default_factory=list)

    @property
    def against_silence(self) -> bool:
        """Whether they said that listening only could not be set."""
        words = ("listen", "silent", "passive", "monitor")
        return any(word in text.lower() for text in self.warnings for word in words)


@contextmanager
def driver_says() -> Iterator[DriverSays]:
    """Collect what python-can warns of: on a screen it would run over what stands there, and muted it would be lost."""
    said = DriverSays()

    class Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.warnings.append(" ".join(record.getMessage().split()))

    log, ear = logging.getLogger("can"), Ear(logging.WARNING)
    log.addHandler(_NOBODY)
    log.addHandler(ear)
    try:
        yield said
    finally:
        log.removeHandler(ear)


def silencing(interface: str) -> dict[str, object]:
    """Give the options that make an adapter listen only; none where there are none."""
    options = dict(LISTEN_ONLY.get(interface, {}))
    if "state" in options:
        import can  # 0.5 s

        options["state"] = can.BusState.PASSIVE
    return options


def silence_of(interface: str, channel: str, bus: object, said: DriverSays, facts: LinkFacts) -> Silence:
    """Say whether an adapter that is open keeps silent.

    Parameters
    ----------
    interface, channel : python-can's names
    bus : the open adapter
    said : what was warned of while it was opened
    facts : what the operating system knows of the interface
    """
    others = tuple(f"its driver says: {text}" for text in said.warnings)
    if interface in LISTEN_ONLY:
        confirmed = False if said.against_silence else _asked(interface, bus)
        if confirmed is False:
            return Silence(listen_only=False, note=_TAKES_PART, remarks=(f"{_REFUSED}; {_TAKES_PART}", *others))
        return Silence(listen_only=True, remarks=(*(() if confirmed else (_UNCONFIRMED,)), *others))
    if facts.is_real is False:
        return Silence(listen_only=None, remarks=others)
    if facts.listen_only is not None:
        if facts.listen_only:
            return Silence(listen_only=True, remarks=others)
        rate = facts.bitrate or 250_000
        advice = f"to have it silent, as administrator: {commands_to_listen(channel, rate)}"
        return Silence(listen_only=False, note=_TAKES_PART, remarks=(f"{_TAKES_PART}; {advice}", *others))
    if interface in _TOLD_ELSEWHERE:
        note = _TOLD_ELSEWHERE[interface]
        return Silence(listen_only=None, note=note, remarks=(*((note,) if note else ()), *others))
    return Silence(listen_only=False, note=_TAKES_PART, remarks=(_TAKES_PART, *others))


def commands_to_listen(channel: str, bitrate: int) -> str:
    """Give the commands that bring an interface of the operating system up to listen only, to be typed as they stand.

    >>> commands_to_listen("can0", 250_000)
    'ip link set can0 down && ip link set can0 type can bitrate 250000 listen-only on && ip link set can0 up'
    """
    steps = ("down", f"type can bitrate {bitrate} listen-only on", "up")  # the mode is only changed while it is down
    return " && ".join(f"ip link set {channel} {step}" for step in steps)


def _asked(interface: str, bus: object) -> bool | None:
    ask = _ASKED.get(interface)
    if ask is None:
        return None
    try:
        return ask(bus)
    except Exception:  # whatever a driver raises: then it did not say
        return None
