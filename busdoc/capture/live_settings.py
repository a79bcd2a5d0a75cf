"""What python-can is told of a bus: from the address, else from its own configuration files and environment."""

import configparser
import os
import re
from pathlib import Path
from typing import Any

from busdoc.capture.live_address import BusAddress
from busdoc.errors import InputError, nearest

__all__ = ["bus_settings", "reason_of"]


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
    text = " ".join(str(cause).split()).rstrip(".")
    return text or type(error).__name__
