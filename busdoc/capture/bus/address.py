"""What ``--bus`` says: the kind of adapter, which of its channels, and the bit rate; and what python-can is told of it.

Nothing is opened here. Names of python-can's interfaces, and of the sections of its configuration, are looked up when
the bus is opened.
"""

import configparser
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busdoc.errors import InputError, nearest

__all__ = ["USUAL_BITRATES", "BusAddress", "bitrate_text", "bus_settings", "parse_bus", "reason_of"]

USUAL_BITRATES = (250_000, 500_000, 125_000, 1_000_000, 100_000, 50_000, 20_000, 10_000)
"""The rates to try on a bus that nobody knows, the likeliest first: SAE J1939-11 and -14, ISO 11783-2 and NMEA 2000 use
250 and 500 kbit/s, the others are those of CiA 301, table 1."""

_LEAST_BITRATE, _MOST_BITRATE = 5_000, 1_000_000
"""ISO 11898-2 goes to 1 Mbit/s; slower than 5 kbit/s no controller is built (common practice)."""

_BITRATE = re.compile(r"(?P<number>\d+(?:\.\d+)?)(?P<unit>[kKmM]?)(?:[bB]it/s)?")
_NUMBERS = re.compile(r"\[Errno -?\d+\]|\[Error Code -?\d+\]")
"""What Python and python-can put beside the words of an error; nobody acts on it."""
_UNITS = {"": 1, "k": 1_000, "m": 1_000_000}
_EXAMPLE = "socketcan:can0, pcan:PCAN_USBBUS1@250000 or slcan:COM5@250000"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusAddress:
    """A bus as it was asked for."""

    interface: str | None
    """A name of python-can's, such as ``socketcan``; None: as python-can is configured."""
    channel: str | None
    """As that interface calls it; None: its default, or as configured."""
    bitrate: int | None = None
    """bit/s; None: as configured, or to be found out."""
    section: str | None = None
    """The section of python-can's configuration, where only a name was given."""

    @property
    def name(self) -> str:
        """As a person would say it.

        >>> BusAddress(interface="slcan", channel="COM5", bitrate=250_000).name
        'slcan:COM5'
        """
        if self.section is not None:
            return self.section
        if self.interface is None:
            return "the configured bus"
        return self.interface if self.channel is None else f"{self.interface}:{self.channel}"


def parse_bus(text: str) -> BusAddress:
    """Read ``INTERFACE:CHANNEL[@BITRATE]``, or the name of a section of python-can's configuration, or nothing.

    The channel may hold colons and slashes; behind the last ``@`` stands the bit rate in bit/s, or with k or M.

    >>> parse_bus("udp_multicast:239.0.0.1@250000").bitrate
    250000
    >>> parse_bus("slcan:/dev/ttyUSB0@115200@500k").channel
    '/dev/ttyUSB0@115200'
    >>> parse_bus("rear").section
    'rear'

    Raises
    ------
    InputError : nothing before or behind the colon, or a bit rate that none can be
    """
    given = text.strip()
    rest, at, rate_text = given.rpartition("@")
    bitrate = None
    if at:
        bitrate, given = _bitrate(rate_text, text), rest
    interface, colon, channel = (part.strip() for part in given.partition(":"))
    if not colon:
        if given.startswith(("/", "\\")) or re.fullmatch(r"(?i)COM\d+", given):
            raise InputError(f'--bus "{text}"', "INTERFACE:CHANNEL", "a device alone", f"Write for example {_EXAMPLE}.")
        return BusAddress(interface=None, channel=None, bitrate=bitrate, section=given or None)
    if not interface or not channel:
        found = "nothing before the colon" if not interface else "nothing behind the colon"
        raise InputError(f'--bus "{text}"', "INTERFACE:CHANNEL[@BITRATE]", found, f"Write for example {_EXAMPLE}.")
    return BusAddress(interface=interface.lower(), channel=channel, bitrate=bitrate)


def _bitrate(text: str, whole: str) -> int:
    match = _BITRATE.fullmatch(text.strip())
    where = f'--bus "{whole}"'
    if match is None:
        raise InputError(where, "a bit rate in bit/s behind the @", f'"{text}"', "Write for example @250000 or @250k.")
    bitrate = round(float(match["number"]) * _UNITS[match["unit"].lower()])
    if not _LEAST_BITRATE <= bitrate <= _MOST_BITRATE:
        advice = f"Did you mean @{text}k?" if bitrate * 1000 in USUAL_BITRATES else "Write for example @250000."
        raise InputError(where, "a bit rate from 5000 to 1000000 bit/s", f'"{text}"', advice)
    return bitrate


def bitrate_text(bitrate: int) -> str:
    """Write a bit rate as it is said.

    >>> bitrate_text(250_000), bitrate_text(1_000_000), bitrate_text(83_333)
    ('250 kbit/s', '1 Mbit/s', '83.333 kbit/s')
    """
    if bitrate % 1_000_000 == 0:
        return f"{bitrate // 1_000_000} Mbit/s"
    return f"{bitrate / 1000:g} kbit/s"


def bus_settings(address: BusAddress) -> dict[str, Any]:
    """Give what python-can is told, from the address and, where it says little, from python-can's configuration."""
    import can

    if address.interface is not None and address.interface not in can.VALID_INTERFACES:
        raise InputError(
            f"--bus {address.name}",
            "an interface of python-can",
            f'"{address.interface}"',
            nearest(address.interface, can.VALID_INTERFACES),
        )
    if address.interface is not None:
        given: dict[str, Any] = {"interface": address.interface, "channel": address.channel}
        if address.bitrate is not None:
            given["bitrate"] = address.bitrate
        return given
    interface_alone = address.section in can.VALID_INTERFACES and not _has_section(address.section)
    if address.section is not None and not interface_alone and not _has_section(address.section):
        raise InputError(
            f"--bus {address.section}",
            "INTERFACE:CHANNEL[@BITRATE], or a section of python-can's configuration",
            f'"{address.section}"',
            _missing_interface(address.section),
        )
    more: dict[str, Any] = {} if address.bitrate is None else {"bitrate": address.bitrate}
    if interface_alone:
        return {"interface": address.section, **more}
    try:
        found = dict(can.util.load_config(config=more, context=address.section))
    except (can.CanInterfaceNotImplementedError, ValueError, TypeError, configparser.Error) as error:
        raise InputError(
            "python-can's configuration",
            "an interface and a channel",
            "none" if "None" in str(error) else reason_of(error),
            "Name the bus: --bus INTERFACE:CHANNEL@BITRATE.",
        ) from error
    return {key: value for key, value in found.items() if value is not None}


def _missing_interface(section: str) -> str:
    """Word the advice for a name that is neither an interface nor a section: often a channel without its interface."""
    import can

    if re.fullmatch(r"v?can\d+", section):
        return f"Write for example socketcan:{section}."
    return nearest(section, [*can.VALID_INTERFACES, *_sections()])


def _has_section(name: str | None) -> bool:
    return name is not None and (name in _sections() or any(key.endswith(f"_{name}") for key in _from_environment()))


def _from_environment() -> list[str]:
    return [key for key in os.environ if key.startswith("CAN_")]


def _sections() -> list[str]:
    """List the sections of python-can's configuration files."""
    import can

    config = configparser.ConfigParser()
    try:
        config.read([Path(path).expanduser() for path in can.util.CONFIG_FILES], encoding="utf-8")
    except (configparser.Error, UnicodeDecodeError) as error:
        raise InputError(
            "python-can's configuration", "sections with KEY = VALUE lines", reason_of(error), "Correct the file."
        ) from error
    return config.sections()


def reason_of(error: BaseException) -> str:
    """Say why in one line; an error without words says its kind."""
    cause = error.__cause__ if isinstance(error.__cause__, OSError) else error
    said = cause.strerror if isinstance(cause, OSError) and cause.strerror else str(cause)  # without "[Errno 19]"
    text = " ".join(_NUMBERS.sub("", said).split()).rstrip(".")
    return text or type(error).__name__
