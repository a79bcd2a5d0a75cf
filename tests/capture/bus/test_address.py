"""What may stand behind --bus, and what is said when it cannot be read."""

import can
import pytest

from busdoc.capture.bus.address import BusAddress, bitrate_text, parse_bus, reason_of
from busdoc.capture.bus.buses import LiveBuses, channel_names
from busdoc.errors import InputError


@pytest.mark.parametrize(
    ("text", "interface", "channel", "bitrate"),
    [
        ("socketcan:can0", "socketcan", "can0", None),
        ("udp_multicast:239.0.0.1@250000", "udp_multicast", "239.0.0.1", 250_000),
        ("udp_multicast:ff15::7079", "udp_multicast", "ff15::7079", None),
        ("serial:/dev/pts/3@125k", "serial", "/dev/pts/3", 125_000),
        ("slcan:COM5@115200@1M", "slcan", "COM5@115200", 1_000_000),
        (" PCAN:PCAN_USBBUS1@ 83.3k ", "pcan", "PCAN_USBBUS1", 83_300),
    ],
)
def test_interface_channel_and_rate_are_told_apart(
    text: str, interface: str, channel: str, bitrate: int | None
) -> None:
    assert parse_bus(text) == BusAddress(interface=interface, channel=channel, bitrate=bitrate)


def test_a_name_alone_is_a_section_of_the_configuration() -> None:
    assert parse_bus("rear@500000") == BusAddress(interface=None, channel=None, bitrate=500_000, section="rear")


def test_nothing_means_as_it_is_configured() -> None:
    assert parse_bus("") == BusAddress(interface=None, channel=None)
    assert parse_bus("").name == "the configured bus"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (":can0", "nothing before the colon"),
        ("socketcan:", "nothing behind the colon"),
        ("COM5", "a device alone"),
        ("/dev/ttyUSB0", "a device alone"),
        ("socketcan:can0@fast", "@250000 or @250k"),
        ("socketcan:can0@250", "Did you mean @250k?"),
        ("socketcan:can0@2000000", "from 5000 to 1000000 bit/s"),
        ("socketcan:can0@", "a bit rate in bit/s"),
    ],
)
def test_what_cannot_be_read_gets_a_sentence(text: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        parse_bus(text)
    assert said in str(error.value)
    assert f'--bus "{text}"' in str(error.value)


@pytest.mark.parametrize(
    ("buses", "names"),
    [
        (["socketcan:can1", "socketcan:can0"], ("can1", "can0")),
        (["pcan:PCAN_USBBUS1", "kvaser:0"], ("can0", "can1")),
        (["slcan:COM5", "socketcan:can0"], ("can1", "can0")),
        (["udp_multicast:239.0.0.200"], ("can0",)),
        (["socketcan:vcan3", "socketcan:can3"], ("vcan3", "can0")),
    ],
)
def test_channels_are_named_as_the_system_does_or_in_the_order_given(buses: list[str], names: tuple[str, ...]) -> None:
    assert channel_names([parse_bus(text) for text in buses]) == names


def test_the_same_bus_twice_is_refused() -> None:
    with pytest.raises(InputError, match="socketcan:can0 twice"):
        LiveBuses([parse_bus("socketcan:can0"), parse_bus("socketcan:can0@250000")])


def test_a_rate_is_said_as_people_say_it() -> None:
    assert [bitrate_text(rate) for rate in (125_000, 1_000_000, 83_300)] == ["125 kbit/s", "1 Mbit/s", "83.3 kbit/s"]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(19, "No such device"), "No such device"),
        (OSError(2, "could not open port x: [Errno 2] No such file: 'x'"), "could not open port x: No such file: 'x'"),
        (can.CanOperationError("Error receiving: Network is down", 100), "Error receiving: Network is down"),
        (ValueError(), "ValueError"),
    ],
)
def test_an_error_is_said_without_its_number(error: Exception, words: str) -> None:
    assert reason_of(error) == words
