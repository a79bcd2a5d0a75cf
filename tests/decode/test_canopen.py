"""CANopen messages against CiA 301 and the canopen library, without what that library gets wrong."""

import time

import canopen
import pytest
from canopen.emcy import EmcyConsumer
from canopen.nmt import NMT_STATES
from hypothesis import given
from hypothesis import strategies as st

from busdoc.decode.canopen.emergency import ErrorRegister, emergency_text, read_emergency, register_bit
from busdoc.decode.canopen.error_control import NmtCommand, NmtState, read_state


@given(st.integers(0, 0xFFFF), st.integers(0, 255), st.binary(min_size=5, max_size=5))
def test_an_emergency_reads_as_the_canopen_library_reads_it(code: int, register: int, maker: bytes) -> None:
    payload = code.to_bytes(2, "little") + bytes([register]) + maker
    consumer = EmcyConsumer()  # type: ignore[no-untyped-call]  # the library has no annotations here
    consumer.on_emcy(0x85, payload, time.time())  # type: ignore[no-untyped-call]
    theirs, ours = consumer.log[0], read_emergency(payload)
    assert ours is not None
    assert (ours.code, ours.register, ours.maker) == (theirs.code, theirs.register, theirs.data)
    assert ours.is_reset == ((theirs.code & 0xFF00) == 0)


def test_the_heartbeat_consumer_emergency_reads_as_published() -> None:
    message = read_emergency(bytes.fromhex("3081110102030405"))  # CiA 301: 0x8130, generic and communication
    assert message is not None
    assert message.code == 0x8130
    assert ErrorRegister(message.register) == ErrorRegister.GENERIC | ErrorRegister.COMMUNICATION


@pytest.mark.parametrize("payload", ["", "3081", "308111010203040500"])
def test_a_message_of_another_length_is_no_emergency(payload: str) -> None:
    assert read_emergency(bytes.fromhex(payload)) is None


@pytest.mark.parametrize(
    ("code", "words"),
    [
        # CiA 301, table of emergency error codes; 3110 to 3220 CiA 401
        (0x0000, "no error"),
        (0x2310, "output side"),
        (0x3110, "supply voltage too high"),
        (0x3120, "supply voltage too low"),
        (0x3220, "internal voltage too low"),
        (0x4210, "device temperature"),
        (0x5123, "device hardware"),  # the canopen library has no words for these three
        (0x7101, "additional modules"),
        (0x9101, "external"),
        (0x8120, "error passive"),
        (0x8130, "heartbeat"),
        (0x8140, "bus-off"),
        (0x8250, "stopped"),
        (0xFF01, "device specific"),
    ],
)
def test_emergency_codes_have_the_published_meaning(code: int, words: str) -> None:
    assert words in emergency_text(code)


@pytest.mark.parametrize(("code", "bit"), [(0x2310, 2), (0x3120, 4), (0x4210, 8), (0x8130, 16), (0x5000, 1)])
def test_a_code_has_its_bit_in_the_error_register(code: int, bit: int) -> None:
    assert register_bit(code) == bit  # CiA 301, object 0x1001


@pytest.mark.parametrize("state", list(NmtState))
def test_states_have_the_numbers_of_the_canopen_library(state: NmtState) -> None:
    known = {0: "INITIALISING", 4: "STOPPED", 5: "OPERATIONAL", 127: "PRE-OPERATIONAL"}
    assert NMT_STATES[int(state)] == known[int(state)]


def test_a_boot_up_stays_a_boot_up() -> None:
    # CiA 301; the canopen library turns it into pre-operational and so hides the restart
    network = canopen.Network()
    node = canopen.RemoteNode(5, canopen.ObjectDictionary())  # type: ignore[no-untyped-call]  # no annotations there
    network.add_node(node)
    node.nmt.on_heartbeat(0x705, b"\x00", 0.0)  # type: ignore[no-untyped-call]
    assert node.nmt.state == "PRE-OPERATIONAL"
    assert read_state(b"\x00") == (NmtState.BOOT_UP, 0)


def test_the_toggle_bit_is_read_apart_from_the_state() -> None:
    assert [read_state(bytes([byte])) for byte in (0x05, 0x85)] == [
        (NmtState.OPERATIONAL, 0),
        (NmtState.OPERATIONAL, 1),
    ]


@pytest.mark.parametrize("payload", [b"", b"\x50", b"\x60", b"\x05\x00"])
def test_what_cia_301_does_not_know_is_no_state(payload: bytes) -> None:
    assert read_state(payload) is None


def test_commands_have_the_numbers_of_the_canopen_library() -> None:
    from canopen.nmt import NMT_COMMANDS

    assert {
        NMT_COMMANDS["OPERATIONAL"]: NmtCommand.START,
        NMT_COMMANDS["STOPPED"]: NmtCommand.STOP,
        NMT_COMMANDS["PRE-OPERATIONAL"]: NmtCommand.PRE_OPERATIONAL,
        NMT_COMMANDS["RESET"]: NmtCommand.RESET_NODE,
        NMT_COMMANDS["RESET COMMUNICATION"]: NmtCommand.RESET_COMMUNICATION,
    } == {int(command): command for command in NmtCommand}
