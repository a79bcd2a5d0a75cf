"""busdoc listens: no source file mentions sending on a bus, and nothing is sent on any path, error paths included."""

import re
import threading
from pathlib import Path

import can
import pytest
from can.interfaces import virtual

import busdoc
from busdoc.capture.bus.adapter import OpenAdapter, open_adapter
from busdoc.capture.bus.address import BusAddress, parse_bus
from busdoc.capture.bus.bitrate import open_at_found_bitrate
from busdoc.capture.bus.buses import LiveBuses
from busdoc.errors import InputError
from tests.capture.live_doubles import TestClock
from tests.capture.sending_double import Sent, count_sending

PACKAGE = Path(busdoc.__file__).parent
SENDING = re.compile(r"\.send\(|send_periodic|flush_tx|\.sendto\(|_send_internal")


def test_no_source_file_mentions_sending_on_a_bus() -> None:
    files = [path for path in PACKAGE.rglob("*.py") if "simulate" not in path.parts]
    assert len(files) > 100
    assert [path.name for path in files if SENDING.search(path.read_text(encoding="utf-8"))] == []


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> Sent:
    return count_sending(monkeypatch)


def arrive(channel: str, *messages: can.Message) -> None:
    """Let messages arrive on a virtual bus, without any sender."""
    for queue in virtual.channels.get(channel, []):
        for message in messages:
            queue.put(message)


def test_nothing_is_sent_while_listening_losing_an_adapter_and_finding_it_again(sent: Sent) -> None:
    clock = TestClock()
    opened: list[OpenAdapter] = []

    def opener(asked: BusAddress) -> OpenAdapter:
        opened.append(open_adapter(asked))
        return opened[-1]

    source = LiveBuses([parse_bus("virtual:never@250000")], clock=clock, opener=opener, threads=False)
    source.start()
    arrive("never", *[can.Message(arbitration_id=k, data=b"\1", timestamp=clock.t_ns / 1e9) for k in range(5)])
    for _ in range(5):
        source.turn()
    n_heard = len(source.take().frames)
    opened[0].adapter.shutdown()  # pulled out: every reading fails from now on
    for _ in range(40):
        source.turn()
    source.take()
    source.stop()
    source.take()
    assert n_heard == 5
    assert len(opened) == 2
    assert sent.n == 0


def test_nothing_is_sent_while_a_bit_rate_is_tried(sent: Sent) -> None:
    tried: list[int | None] = []

    def opener(asked: BusAddress) -> OpenAdapter:
        tried.append(asked.bitrate)
        opened = open_adapter(BusAddress(interface="virtual", channel="tried", bitrate=asked.bitrate))
        return OpenAdapter(adapter=opened.adapter, interface="slcan", bitrate=asked.bitrate, listen_only=True, note="")

    class Impatient(TestClock):
        """Time runs by the look at it."""

        def now_ns(self) -> int:
            self.pass_s(0.6)
            return self.t_ns

    with pytest.raises(InputError):
        open_at_found_bitrate(parse_bus("slcan:COM5"), opener=opener, clock=Impatient(), stopping=threading.Event())
    assert len(tried) == 8
    assert sent.n == 0


def test_nothing_is_sent_when_a_bus_does_not_open(sent: Sent) -> None:
    source = LiveBuses([parse_bus("virtual:opens"), parse_bus("serial:/dev/nowhere-at-all")])
    with pytest.raises(InputError):
        source.start()
    assert sent.n == 0
