"""Finds the bit rate of a bus by listening: only ever with an adapter that was told to keep silent.

An adapter at a wrong rate that takes part in the bus answers every frame with an error flag and takes the bus down.
"""

import threading
from collections.abc import Callable
from dataclasses import replace

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import USUAL_BITRATES, BusAddress, bitrate_text
from busdoc.capture.bus.listener import Clock
from busdoc.errors import InputError
from busdoc.times import MILLISECOND_NS

__all__ = ["open_at_found_bitrate"]

_LISTEN_NS = 1_200 * MILLISECOND_NS
"""Longer than the heartbeat of any usual controller: 1 s (J1939-71 engine hours aside, common practice)."""
_ENOUGH = 3
"""Good frames: a wrong rate lets none through, since every one carries a checksum of 15 bits."""
_TURN_S = 0.05


def open_at_found_bitrate(
    address: BusAddress, *, opener: Callable[[BusAddress], OpenAdapter], clock: Clock, stopping: threading.Event
) -> OpenAdapter:
    """Open an adapter at the first usual rate at which frames are heard.

    Raises
    ------
    InputError : at none of them; or the adapter cannot be told to listen only
    BusError : it does not open
    """
    for bitrate in USUAL_BITRATES:
        opened = opener(replace(address, bitrate=bitrate))
        if not opened.listen_only:
            opened.close()
            raise InputError(
                f"--bus {address.name}", "a bit rate", "none", f"Write for example --bus {address.name}@250000."
            )
        if _hears(opened, clock, stopping):
            note = f"{bitrate_text(bitrate)} was found by listening"
            return replace(opened, note=f"{opened.note}; {note}" if opened.note else note)
        opened.close()
        if stopping.is_set():
            break
    tried = ", ".join(f"{bitrate / 1000:g}" for bitrate in USUAL_BITRATES)
    raise InputError(
        f"--bus {address.name}",
        "frames at one of the usual bit rates",
        f"none at {tried} kbit/s",
        f"Switch the machine on, or give its rate: --bus {address.name}@250000.",
    )


def _hears(opened: OpenAdapter, clock: Clock, stopping: threading.Event) -> bool:
    until_ns = clock.now_ns() + _LISTEN_NS
    n_good = 0
    while clock.now_ns() < until_ns and not stopping.is_set():
        try:
            message = opened.adapter.recv(_TURN_S)
        except (ValueError, OSError):
            return False
        except Exception as error:
            if not type(error).__module__.startswith("can"):
                raise
            return False  # python-can's own: some adapters report a bus full of errors so
        if message is not None and not message.is_error_frame:
            n_good += 1
        if n_good >= _ENOUGH:
            return True
    return False
