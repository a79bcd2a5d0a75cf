"""One running transport session: which packets came, in which order, and how long to wait for the next.

A packet counts when it is the next one, or the one that the receiver asked for again; the frame before, repeated by
the bus to the byte, is passed over. Everything else spoils the session: it ends as incomplete and never gives bytes.
"""

from busdoc.decode.transport.transport import TransportKind, TransportMessage

__all__ = ["NS_PER_MS", "SessionKey", "TransportSession"]

NS_PER_MS = 1_000_000

SessionKey = tuple[int, int, int, int]
"""Channel, source, destination, and what else tells sessions of a pair apart (0; extended 1; fast packet the rest)."""

_MOST_NAMED = 255


class TransportSession:
    """Packets of one message so far."""

    __slots__ = (
        "_flaw",
        "_got",
        "_last",
        "deadline_ns",
        "expected",
        "first_packet",
        "from_ns",
        "is_answered",
        "kind",
        "last_packet",
        "n_packets",
        "offset",
        "pgn",
        "serial",
        "size",
        "window_end",
    )

    def __init__(
        self,
        *,
        kind: TransportKind,
        t_ns: int,
        pgn: int,
        size: int,
        n_packets: int,
        deadline_ns: int,
        first_packet: int = 1,
    ) -> None:
        self.kind = kind
        self.from_ns = t_ns
        self.pgn = pgn
        self.size = size
        self.n_packets = n_packets
        self.deadline_ns = deadline_ns
        self.first_packet = first_packet
        self.last_packet = first_packet + n_packets - 1
        self.is_answered = kind in (TransportKind.RTS_CTS, TransportKind.EXTENDED)
        self.expected = first_packet
        self.serial = 0  # tells it from an earlier session of the same key
        self.offset = 0  # extended transport: what the data packet offset adds to each number
        self.window_end = 0  # the last packet that the receiver let through
        self._got: dict[int, bytes] = {}
        self._last: tuple[int, bytes] | None = None
        self._flaw = ""

    @property
    def is_untouched(self) -> bool:
        """No packet came yet."""
        return self._last is None and not self._flaw

    @property
    def is_whole(self) -> bool:
        """Every packet is here and none contradicts another."""
        return not self._flaw and len(self._got) == self.n_packets

    @property
    def n_held(self) -> int:
        """How many packets the session keeps in memory."""
        return len(self._got)

    def repeats(self, number: int, content: bytes) -> bool:
        """Tell whether this is the last packet once more, to the byte."""
        return self._last == (number, content)

    def spoil(self, why: str) -> None:
        """Note that the session cannot become whole any more; the first reason stays."""
        self._flaw = self._flaw or why

    def take(self, number: int, content: bytes, n_wanted: int) -> bool:
        """Take one packet, which must bring `n_wanted` bytes of payload; tell whether it is held from now on."""
        if self._last == (number, content):
            return False  # the bus repeats a frame whose end was disturbed
        if not self.expected <= number <= self.last_packet:
            self.spoil(f"packet {number} came where {self.expected} was due")
            return False
        # a hole before it does not spoil: what is missing can be asked for again, where there is somebody to ask
        self._last = (number, content)
        self.expected = number + 1
        if len(content) < n_wanted:
            self.spoil(f"packet {number} is too short")
            return False
        known = self._got.get(number)
        if known is None:
            self._got[number] = content
            return True
        if known != content:
            self.spoil(f"packet {number} came twice with different content")
        return False

    def resume_at(self, number: int, n_packets: int) -> int:
        """The receiver lets packets through from `number` on; give how many are held no more, since they come again.

        It may be a later session whose announcement was lost, so nothing of its packets may be mixed with older ones.
        """
        if number != self.expected:
            self._last = None
        self.expected = number
        self.window_end = number + n_packets - 1
        again = [held for held in range(number, number + n_packets) if held in self._got]
        for held in again:
            del self._got[held]
        return len(again)

    def missing(self) -> tuple[int, ...]:
        """Name the packets that have not come, the first 255 of them."""
        absent: list[int] = []
        for number in range(self.first_packet, self.last_packet + 1):
            if number not in self._got:
                absent.append(number)
                if len(absent) == _MOST_NAMED:
                    break
        return tuple(absent)

    def message(self, key: SessionKey, t_ns: int, why: str = "", payload: bytes | None = None) -> TransportMessage:
        """Close the session: a whole message, or an incomplete one with its reason.

        Parameters
        ----------
        payload : where it is known otherwise, without its packets
        """
        missing: tuple[int, ...] = ()
        reason = ""
        if payload is None and self.is_whole:
            packets = [self._got[number] for number in range(self.first_packet, self.last_packet + 1)]
            payload = b"".join(packets)[: self.size]
        elif payload is None:
            missing = self.missing()
            reason = "; ".join(part for part in (_packets_missing(missing, self.n_packets), self._flaw, why) if part)
        return TransportMessage(
            t_ns=t_ns,
            from_ns=self.from_ns,
            channel=key[0],
            pgn=self.pgn,
            source=key[1],
            destination=key[2],
            kind=self.kind,
            size=self.size,
            payload=payload,
            missing=missing,
            why=reason,
        )


def _packets_missing(missing: tuple[int, ...], n_packets: int) -> str:
    if not missing:
        return ""
    if len(missing) == n_packets:
        return "no packet came"
    if len(missing) == 1:
        return f"packet {missing[0]} missing"
    shown = ", ".join(str(number) for number in missing[:8])
    return f"packets {shown}{' and more' if len(missing) > 8 else ''} missing"
