"""Counts whatever would be transmitted on a bus, on every bus class of python-can, and lets none of it through."""

from collections.abc import Iterator

import can
import pytest

NAMES = ("send", "send_periodic", "_send_periodic_internal", "flush_tx_buffer")


class Sent:
    """How often something was to be transmitted."""

    def __init__(self) -> None:
        self.n = 0

    def __call__(self, *_: object, **__: object) -> None:
        self.n += 1


def count_sending(monkeypatch: pytest.MonkeyPatch) -> Sent:
    """Put the counter in the place of every method that transmits."""
    for interface in ("virtual", "udp_multicast", "serial", "slcan"):
        can.interface._get_class_for_interface(interface)
    counter = Sent()
    for bus_class in _bus_classes(can.BusABC):
        for name in NAMES:
            if name in vars(bus_class):
                monkeypatch.setattr(bus_class, name, counter)
    _see_that_it_counts(counter)
    return counter


def _see_that_it_counts(counter: Sent) -> None:
    with can.Bus(interface="virtual", channel="to see that it counts") as bus:
        bus.send(can.Message())
    assert counter.n == 1
    counter.n = 0


def _bus_classes(base: type) -> Iterator[type]:
    yield base
    subclasses: list[type] = base.__subclasses__()
    for derived in subclasses:
        yield from _bus_classes(derived)
