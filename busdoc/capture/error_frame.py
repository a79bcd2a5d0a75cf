"""Error-message frames in the one form that busdoc knows: the Linux header can/error.h.

Other recorders write controller states and bus errors in words or codes of their own; here they are put into that form.
"""

__all__ = [
    "BUS_ERROR",
    "BUS_OFF",
    "CONTROLLER",
    "COUNTERS",
    "NO_ACK",
    "RESTARTED",
    "ErrorDetail",
    "bus_error",
    "controller_state",
    "linux_class",
]

CONTROLLER = 0x04
PROTOCOL = 0x08
NO_ACK = 0x20
BUS_OFF = 0x40
BUS_ERROR = 0x80
RESTARTED = 0x100
COUNTERS = 0x200

RX_OVERFLOW = 0x01
RX_WARNING = 0x04
TX_WARNING = 0x08
RX_PASSIVE = 0x10
TX_PASSIVE = 0x20
ACTIVE = 0x40

_ALL_CLASSES = 0x3FF

_BIT, _FORM, _STUFF = 0x01, 0x02, 0x04
_ON_TRANSMISSION = 0x80

ErrorDetail = tuple[int, bytes]
"""Class bits, and the eight bytes of detail."""


def bus_error(kind: str = "", *, sending: bool = False, place: int = 0) -> ErrorDetail:
    """Describe an error frame on the bus; `kind` is bit, form, stuff, or nothing where it is not known.

    >>> bus_error("stuff")[1].hex()
    '0000040000000000'
    """
    detail = {"bit": _BIT, "form": _FORM, "stuff": _STUFF}.get(kind, 0) | (_ON_TRANSMISSION if sending else 0)
    if not detail and not place:
        return BUS_ERROR, bytes(8)
    return BUS_ERROR | PROTOCOL, bytes((0, 0, detail, place, 0, 0, 0, 0))


def bus_error_of_code(code: int) -> ErrorDetail:
    """Describe an error frame by the error code capture of the SJA1000 controller (its data sheet, 6.4.7).

    Bits 7 and 6 tell bit, form, stuff and other errors; bit 5 is set on reception; the rest is the place, by the same
    numbers as the Linux header has.
    """
    kind = ("bit", "form", "stuff", "")[code >> 6 & 3]
    return bus_error(kind, sending=not code & 0x20, place=code & 0x1F)


def controller_state(state: str, tx_errors: int | None = None, rx_errors: int | None = None) -> ErrorDetail:
    """Describe a controller's state: active, warning, passive, bus-off or overflow, with its counters where known."""
    tx, rx = min(tx_errors or 0, 255), min(rx_errors or 0, 255)
    counted = COUNTERS if tx_errors is not None or rx_errors is not None else 0
    if state == "bus-off":
        return BUS_OFF | counted, bytes((0, 0, 0, 0, 0, 0, tx, rx))
    from_rx = rx > tx
    status = {
        "active": ACTIVE,
        "warning": RX_WARNING if from_rx else TX_WARNING,
        "passive": RX_PASSIVE if from_rx else TX_PASSIVE,
        "overflow": RX_OVERFLOW,
    }[state]
    return CONTROLLER | counted, bytes((0, status, 0, 0, 0, 0, tx, rx))


def linux_class(id_: int, data: bytes) -> ErrorDetail:
    r"""Describe an error frame whose identifier may hold class bits, as python-can writes it; else a plain bus error.

    >>> linux_class(0x40, b""), linux_class(0, b"")[0]
    ((64, b'\x00\x00\x00\x00\x00\x00\x00\x00'), 128)
    """
    if 0 < id_ <= _ALL_CLASSES:
        return id_, data[:8].ljust(8, b"\0")
    return bus_error()
