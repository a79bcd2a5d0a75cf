"""The socket behind an adapter: it holds much, counts what it had to drop, and hears its own group alone."""

import os
import socket
import sys

import can
import pytest

from busdoc.capture.bus.adapter import open_adapter
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.socket import DropCounter, keep_to_own_group, socket_of
from tests.capture.live_doubles import multicast_group

LINUX_ONLY = pytest.mark.skipif(sys.platform != "linux", reason="only Linux counts drops and mixes groups")


@LINUX_ONLY
def test_dropped_frames_are_counted() -> None:
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    receiver.bind(("127.0.0.1", 0))
    counter = DropCounter.of(socket.socket(fileno=os.dup(receiver.fileno())))
    assert counter is not None
    assert counter.count() == 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for _ in range(200):
            sender.sendto(bytes(100), receiver.getsockname())
    assert 100 < counter.count() < 200
    counter.close()
    receiver.close()


@LINUX_ONLY
def test_an_adapter_over_the_network_has_a_large_buffer_and_is_counted() -> None:
    opened = open_adapter(parse_bus(f"udp_multicast:{multicast_group(2)}@250000"))
    assert opened.drops is not None
    assert opened.drops.count() == 0
    assert opened.keeps_frames
    handle = socket_of(opened.adapter)
    assert handle is not None
    assert handle.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) >= 128 << 10
    handle.close()
    opened.close()
    with pytest.raises(OSError, match=r".*"):
        opened.drops.count()


@LINUX_ONLY
def test_what_is_sent_to_another_group_is_not_heard() -> None:
    ours = open_adapter(parse_bus(f"udp_multicast:{multicast_group(3)}"))
    theirs = open_adapter(parse_bus(f"udp_multicast:{multicast_group(4)}"))
    for group, id_ in ((multicast_group(4), 0x93), (multicast_group(3), 0x92)):
        with can.Bus(interface="udp_multicast", channel=group) as bus:
            bus.send(can.Message(arbitration_id=id_))
    heard = [one.adapter.recv(5.0) for one in (ours, theirs)]
    assert [message.arbitration_id for message in heard if message is not None] == [0x92, 0x93]
    ours.close()
    theirs.close()


@LINUX_ONLY
def test_what_came_before_it_kept_to_its_group_is_thrown_away_and_what_comes_after_is_not() -> None:
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5.0)
        for _ in range(3):
            sender.sendto(b"before", receiver.getsockname())
        keep_to_own_group(receiver)
        sender.sendto(b"after", receiver.getsockname())
        assert receiver.recv(100) == b"after"


def test_an_adapter_without_a_socket_has_none() -> None:
    opened = open_adapter(parse_bus("virtual:no-socket"))
    assert socket_of(opened.adapter) is None
    assert (opened.drops, opened.keeps_frames) == (None, False)
    opened.close()
