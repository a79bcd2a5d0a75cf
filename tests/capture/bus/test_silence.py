"""Who takes part in a bus: what was told to be silent is asked where it can be asked, and never believed against it.

The doubles stand for what python-can 4.6's own classes of these interfaces hold.
"""

import logging
from types import SimpleNamespace

import can
import pytest
from can.interfaces.pcan import basic as pcan

from busdoc.capture.bus.adapter import open_adapter
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.link import UNKNOWN, LinkFacts
from busdoc.capture.bus.silence import DriverSays, driver_says, silence_of, silencing
from busdoc.errors import InputError


def of_pcan(status: int, value: int) -> SimpleNamespace:
    return SimpleNamespace(m_PcanHandle=1, m_objPCANBasic=SimpleNamespace(GetValue=lambda *_: (status, value)))


@pytest.mark.parametrize(
    ("interface", "bus", "listen_only", "words"),
    [
        ("pcan", of_pcan(pcan.PCAN_ERROR_OK, pcan.PCAN_PARAMETER_ON), True, ""),
        ("pcan", of_pcan(pcan.PCAN_ERROR_OK, pcan.PCAN_PARAMETER_OFF), False, "its driver says that it does not"),
        ("pcan", of_pcan(pcan.PCAN_ERROR_ILLHW, 0), True, "cannot be asked"),
        ("vector", SimpleNamespace(mask=3, permission_mask=3), True, ""),
        ("vector", SimpleNamespace(mask=3, permission_mask=1), False, "its driver says that it does not"),
        ("nixnet", SimpleNamespace(_interface=SimpleNamespace(can_lstn_only=False)), False, "does not"),
        ("slcan", object(), True, "cannot be asked"),
        ("gs_usb", object(), False, "it takes part in the bus"),
    ],
)
def test_a_driver_that_can_be_asked_is_asked(interface: str, bus: object, listen_only: bool, words: str) -> None:
    found = silence_of(interface, "0", bus, DriverSays(), UNKNOWN)
    assert found.listen_only is listen_only
    assert words in " ".join(found.remarks)
    assert bool(found.remarks) is bool(words)


def test_what_a_driver_warns_of_while_it_is_opened_is_ours_to_tell() -> None:
    with driver_says() as said:
        logging.getLogger("can.interfaces.vector").warning("No channels with init access to set listen only mode")
        logging.getLogger("can.interfaces.vector").info("not a warning")
    logging.getLogger("can.interfaces.vector").warning("later")
    found = silence_of("kvaser", "0", object(), said, UNKNOWN)
    assert found.listen_only is False
    assert found.note.startswith("it takes part in the bus")
    assert "No channels with init access" in found.remarks[1]
    assert len(found.remarks) == 2


def test_of_an_interface_of_the_operating_system_the_three_commands_are_given_as_one_line() -> None:
    found = silence_of("socketcan", "can3", object(), DriverSays(), LinkFacts(bitrate=500_000, listen_only=False))
    assert found.listen_only is False
    assert found.remarks[0].endswith(
        "ip link set can3 down && ip link set can3 type can bitrate 500000 listen-only on && ip link set can3 up"
    )


def test_of_a_virtual_interface_there_is_nothing_to_say() -> None:
    found = silence_of("socketcan", "vcan0", object(), DriverSays(), LinkFacts(is_real=False))
    assert (found.listen_only, found.note, found.remarks) == (None, "", ())


def test_the_handle_that_is_read_is_the_one_that_is_silenced() -> None:
    """python-can 4.6, interfaces/kvaser/canlib.py: driver_mode is set on the handle that it writes with."""
    assert silencing("kvaser") == {"driver_mode": False, "single_handle": True}
    assert silencing("pcan") == {"state": can.BusState.PASSIVE}


def test_a_bit_rate_that_would_be_replaced_by_another_is_refused() -> None:
    """python-can 4.6, interfaces/pcan/pcan.py: PCAN_BITRATES.get(bitrate, PCAN_BAUD_500K)."""
    with pytest.raises(InputError, match=r"expected a bit rate that pcan adapters have, found 83.333 kbit/s.*47.*250"):
        open_adapter(parse_bus("pcan:PCAN_USBBUS1@83333"))
