"""Puts messages of several frames together: SAE J1939-21 5.10, ISO 11783-3 extended transport, NMEA 2000 fast packet.

A listener's view: it answers nothing, keeps one session for each sender and destination, and gives up where the
protocol's own timeouts say that nothing more will come.
"""

from collections.abc import Collection
from dataclasses import replace
from heapq import heappop, heappush

import numpy as np

from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, group_and_destination
from busdoc.decode.nmea2000.fast_packet import FAST_PACKET_PGNS, n_frames, wanted_bytes
from busdoc.decode.transport.bulk import whole_broadcasts
from busdoc.decode.transport.rows import Control, Role, TransportSieve
from busdoc.decode.transport.session import NS_PER_MS, SessionKey, TransportSession
from busdoc.decode.transport.transport import TransportKind, TransportMessage

__all__ = ["TransportWatch"]

T1_NS = 750 * NS_PER_MS
"""Between two data packets."""
T2_NS = 1250 * NS_PER_MS
"""From 'clear to send' to the first packet."""
T3_NS = 1250 * NS_PER_MS
"""From the last packet let through to the next 'clear to send' or the acknowledgement."""
T4_NS = 1050 * NS_PER_MS
"""From 'hold' to the next 'clear to send'."""

_ABORT_REASONS = {1: "busy", 2: "no resources", 3: "timeout"}
_LARGEST = 1785
_LARGEST_EXTENDED = (1 << 24) * 7 - 7

_MOST_SESSIONS = 4096
_MOST_PACKETS = 400_000


class TransportWatch:
    """Takes blocks in order, gives messages in the order in which they end; the cuts between blocks change nothing.

    Parameters
    ----------
    pgns : the parameter groups to put together; None: all. Packets of others cost next to nothing.
    fast_packet_pgns : which groups are sent as fast packets, since such a frame does not say so itself

    Notes
    -----
    A whole payload is right as long as announcements are not lost: when the end of one session and the announcement of
    the sender's next are lost in one piece of exactly a session's length, in less than T1 (T3 where a receiver
    answers), no listener can tell.
    At most 4096 sessions and 400,000 packets (some 60 MB) are held; beyond that the oldest ends as incomplete.
    """

    def __init__(
        self, pgns: Collection[int] | None = None, *, fast_packet_pgns: Collection[int] = FAST_PACKET_PGNS
    ) -> None:
        self._pgns = None if pgns is None else frozenset(pgns)
        fast = frozenset(fast_packet_pgns) if pgns is None else frozenset(fast_packet_pgns) & frozenset(pgns)
        self._sieve = TransportSieve(self._pgns, fast)
        self._sessions: dict[SessionKey, TransportSession] = {}
        self._deadlines: list[tuple[int, int, SessionKey]] = []
        self._n_opened = 0
        self._n_held = 0
        self._done: list[TransportMessage] = []

    def feed(self, block: FrameBlock) -> tuple[TransportMessage, ...]:
        """Give the messages that ended in the next block, incomplete ones among them."""
        if not len(block):
            return ()
        rows, roles = self._sieve.rows(block, self._sessions)
        whole = whole_broadcasts(block, rows, roles, T1_NS)
        places = np.flatnonzero(~whole.inside)
        rows, roles = rows[places], roles[places]
        t_ns, channels, ids = block.t_ns[rows].tolist(), block.channel[rows].tolist(), block.id[rows].tolist()
        lengths = np.minimum(block.length[rows], 8).tolist()
        content = block.data[rows].tobytes()
        steps = {
            Role.MANAGEMENT: self._manage,
            Role.DATA: self._data,
            Role.EXTENDED_MANAGEMENT: self._manage_extended,
            Role.EXTENDED_DATA: self._data_extended,
            Role.FAST_PACKET: self._fast,
        }
        columns = zip(places.tolist(), t_ns, channels, ids, lengths, roles.tolist(), strict=True)
        for n, (place, t, channel, id_, length, role) in enumerate(columns):
            self._give_up(t)
            if place in whole.payload:
                self._end_whole((channel, id_ & 0xFF, GLOBAL_ADDRESS, 0), t, whole.payload[place])
                continue
            steps[role](t, channel, id_, content[8 * n : 8 * n + length])
            if place in whole.last_ns:
                self._await_last((channel, id_ & 0xFF, GLOBAL_ADDRESS, 0), whole.last_ns[place])
        self._give_up(int(block.t_ns[-1]))
        return self._taken()

    def _await_last(self, key: SessionKey, last_ns: int) -> None:
        """The packets of the session just announced are known to come in time, up to the last."""
        session = self._sessions.get(key)
        if session is not None:
            session.deadline_ns = max(session.deadline_ns, last_ns)

    def _end_whole(self, key: SessionKey, t_ns: int, payload: bytes) -> None:
        session = self._sessions.pop(key, None)
        if session is not None:
            self._done.append(session.message(key, t_ns, payload=payload))

    def close(self, until_ns: int) -> tuple[TransportMessage, ...]:
        """End every session that is still running: the capture stops at `until_ns`."""
        self._give_up(until_ns)
        for key in list(self._sessions):
            self._end(key, until_ns, "the recording ends")
        return self._taken()

    def _taken(self) -> tuple[TransportMessage, ...]:
        done, self._done = self._done, []
        return tuple(done)

    def _manage(self, t_ns: int, channel: int, id_: int, data: bytes) -> None:
        destination, source = (id_ >> 8) & 0xFF, id_ & 0xFF
        if len(data) < 8 or source >= NULL_ADDRESS:
            return
        control, pgn = data[0], int.from_bytes(data[5:8], "little")
        to_all = destination == GLOBAL_ADDRESS
        if control == Control.BAM if to_all else control == Control.RTS:
            key = (channel, source, destination, 0)
            size, n_packets = data[1] | data[2] << 8, data[3]
            kind = TransportKind.BAM if to_all else TransportKind.RTS_CTS
            lies = not 0 < size <= _LARGEST or n_packets != -(-size // 7)
            why = f"{size} bytes announced in {n_packets} packets" if lies else ""
            self._open(key, kind, t_ns, pgn, size, n_packets, T1_NS if to_all else T3_NS, why)
        elif control == Control.CTS:
            self._clear_to_send((channel, destination, source, 0), t_ns, pgn, data[1], data[2])
        elif control == Control.ACK:
            self._acknowledge((channel, destination, source, 0), t_ns, pgn, data[1] | data[2] << 8)
        elif control == Control.ABORT:
            self._abort(t_ns, channel, source, destination, 0, pgn, data[1])

    def _manage_extended(self, t_ns: int, channel: int, id_: int, data: bytes) -> None:
        destination, source = (id_ >> 8) & 0xFF, id_ & 0xFF
        if len(data) < 8 or source >= NULL_ADDRESS or destination == GLOBAL_ADDRESS:
            return
        control, pgn = data[0], int.from_bytes(data[5:8], "little")
        back = (channel, destination, source, 1)
        if control == Control.EXTENDED_RTS:
            size = int.from_bytes(data[1:5], "little")
            lies = not _LARGEST < size <= _LARGEST_EXTENDED
            why = f"{size} bytes announced for extended transport" if lies else ""
            key = (channel, source, destination, 1)
            self._open(key, TransportKind.EXTENDED, t_ns, pgn, size, -(-size // 7), T3_NS, why)
        elif control == Control.EXTENDED_CTS:
            self._clear_to_send(back, t_ns, pgn, data[1], int.from_bytes(data[2:5], "little"))
        elif control == Control.EXTENDED_OFFSET:
            session = self._matching((channel, source, destination, 1), t_ns, pgn)
            if session is not None:
                session.offset = int.from_bytes(data[2:5], "little")
                self._wait((channel, source, destination, 1), session, t_ns + T2_NS)
        elif control == Control.EXTENDED_ACK:
            self._acknowledge(back, t_ns, pgn, int.from_bytes(data[1:5], "little"))
        elif control == Control.ABORT:
            self._abort(t_ns, channel, source, destination, 1, pgn, data[1])

    def _data(self, t_ns: int, channel: int, id_: int, data: bytes) -> None:
        key = (channel, id_ & 0xFF, (id_ >> 8) & 0xFF, 0)
        session = self._sessions.get(key)
        if session is not None and len(data) > 0 and data[0] > 0:
            self._packet(key, session, t_ns, data[0], data[1:])

    def _data_extended(self, t_ns: int, channel: int, id_: int, data: bytes) -> None:
        key = (channel, id_ & 0xFF, (id_ >> 8) & 0xFF, 1)
        session = self._sessions.get(key)
        if session is not None and len(data) > 0 and data[0] > 0:
            self._packet(key, session, t_ns, session.offset + data[0], data[1:])

    def _fast(self, t_ns: int, channel: int, id_: int, data: bytes) -> None:
        source = id_ & 0xFF
        if len(data) < 2 or source >= NULL_ADDRESS:
            return
        sequence, number = data[0] >> 5, data[0] & 0x1F
        pgn, destination = group_and_destination(id_)
        stream = pgn << 3
        key = (channel, source, destination, 2 + (stream | sequence))
        if number == 0:
            for other in range(8):  # a sender has one message under way, two where it changes over
                if other not in (sequence, (sequence - 1) & 7):
                    stale = (channel, source, destination, 2 + (stream | other))
                    if stale in self._sessions:
                        self._end(stale, t_ns, "the next one began")
            known = self._sessions.get(key)
            if known is not None and known.size == data[1] and known.repeats(0, data[2:]):
                return
            why = "" if data[1] <= 223 else f"{data[1]} bytes announced"
            count = n_frames(data[1])
            self._open(key, TransportKind.FAST_PACKET, t_ns, pgn, data[1], count, T1_NS, why, first_packet=0)
            content = data[2:]
        else:
            content = data[1:]
        session = self._sessions.get(key)
        if session is not None:
            self._packet(key, session, t_ns, number, content)

    def _open(
        self,
        key: SessionKey,
        kind: TransportKind,
        t_ns: int,
        pgn: int,
        size: int,
        n_packets: int,
        wait_ns: int,
        lie: str,
        *,
        first_packet: int = 1,
    ) -> None:
        running = self._sessions.get(key)
        if running is not None:
            if running.is_untouched and (running.pgn, running.size, running.n_packets) == (pgn, size, n_packets):
                self._wait(key, running, t_ns + wait_ns)  # the same announcement again
                return
            self._end(key, t_ns, "the next one began")
        if self._pgns is not None and pgn not in self._pgns:
            return
        session = TransportSession(
            kind=kind,
            t_ns=t_ns,
            pgn=pgn,
            size=size,
            n_packets=n_packets,
            deadline_ns=t_ns + wait_ns,
            first_packet=first_packet,
        )
        if lie:
            self._done.append(replace(session.message(key, t_ns), missing=(), payload=None, why=lie))
            return
        if len(self._sessions) >= _MOST_SESSIONS:
            self._end(next(iter(self._sessions)), t_ns, "too many at once")
        self._n_opened += 1
        session.serial = self._n_opened
        self._sessions[key] = session
        heappush(self._deadlines, (session.deadline_ns, session.serial, key))

    def _packet(self, key: SessionKey, session: TransportSession, t_ns: int, number: int, content: bytes) -> None:
        if session.kind is TransportKind.FAST_PACKET:
            n_wanted = wanted_bytes(session.size, number)
        else:
            n_wanted = min(7, session.size - 7 * (number - 1))
        self._n_held += session.take(number, content, n_wanted)
        if session.is_whole or (number == session.last_packet and not session.is_answered):
            self._end(key, t_ns)
            return
        self._wait(key, session, t_ns + (T3_NS if session.is_answered and number >= session.window_end else T1_NS))
        while self._n_held > _MOST_PACKETS:
            self._end(next(iter(self._sessions)), t_ns, "too many at once")

    def _matching(self, key: SessionKey, t_ns: int, pgn: int) -> TransportSession | None:
        """Find the session that a management frame belongs to; one that contradicts it has missed its announcement."""
        session = self._sessions.get(key)
        if session is not None and session.pgn != pgn:
            self._end(key, t_ns, "the next one began")
            return None
        return session

    def _clear_to_send(self, key: SessionKey, t_ns: int, pgn: int, n_packets: int, next_packet: int) -> None:
        session = self._matching(key, t_ns, pgn)
        if session is None:
            return
        if n_packets == 0:
            self._wait(key, session, t_ns + T4_NS)
            return
        self._n_held -= session.resume_at(next_packet, n_packets)
        self._wait(key, session, t_ns + T2_NS)

    def _acknowledge(self, key: SessionKey, t_ns: int, pgn: int, size: int) -> None:
        session = self._matching(key, t_ns, pgn)
        if session is not None:
            self._end(key, t_ns, "" if size == session.size else f"{size} bytes acknowledged")

    def _abort(self, t_ns: int, channel: int, source: int, destination: int, extra: int, pgn: int, reason: int) -> None:
        why = f"aborted: {_ABORT_REASONS.get(reason, f'reason {reason}')}"
        for key in ((channel, source, destination, extra), (channel, destination, source, extra)):
            session = self._sessions.get(key)
            if session is not None and session.pgn == pgn:
                self._end(key, t_ns, why)

    def _wait(self, key: SessionKey, session: TransportSession, deadline_ns: int) -> None:
        sooner = deadline_ns < session.deadline_ns
        session.deadline_ns = deadline_ns
        if sooner:
            heappush(self._deadlines, (deadline_ns, session.serial, key))

    def _give_up(self, now_ns: int) -> None:
        """End the sessions whose next packet should have come before now, in the order of their deadlines."""
        while self._deadlines and self._deadlines[0][0] < now_ns:
            at_ns, serial, key = heappop(self._deadlines)
            session = self._sessions.get(key)
            if session is None or session.serial != serial:
                continue
            if session.deadline_ns <= at_ns:
                self._end(key, session.deadline_ns, "timeout")
            else:
                heappush(self._deadlines, (session.deadline_ns, serial, key))

    def _end(self, key: SessionKey, t_ns: int, why: str = "") -> None:
        session = self._sessions.pop(key)
        self._n_held -= session.n_held
        self._done.append(session.message(key, t_ns, why))
