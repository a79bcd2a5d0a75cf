"""Follows the alerts of NMEA 2000 devices: active until their device says that all is normal again.

An alert is sent when it changes and now and then while it stands, so its silence clears nothing, as with an emergency
message of CANopen; with its device's restart it is over.
"""

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import PGN_NMEA_ALERT, PGN_NMEA_ALERT_TEXT
from busdoc.decode.nmea2000.alert import Alert, AlertName, read_alert, read_alert_text
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.transport.watch import TransportWatch
from busdoc.health.codes.code import CodeTrack

__all__ = ["AlertWatch"]

_MOST_ALERTS_OF_ONE = 500
_MOST_CHANGES = 50_000
_GROUPS = (PGN_NMEA_ALERT, PGN_NMEA_ALERT_TEXT)


class AlertWatch:
    """Takes blocks in order; where they are cut changes nothing.

    Notes
    -----
    500 alerts and 50,000 messages of one device are followed; what goes beyond is counted in `n_dropped`.
    """

    def __init__(self) -> None:
        self._transport = TransportWatch(_GROUPS, fast_packet_pgns=_GROUPS)
        self.tracks: dict[tuple[int, int], dict[AlertName, CodeTrack]] = {}
        """(channel, source address) to alert to its course."""
        self.last: dict[tuple[int, int, AlertName], Alert] = {}
        """What was said last of each."""
        self.texts: dict[AlertName, str] = {}
        """The devices' own words."""
        self.n_dropped = 0
        self._n_messages: dict[tuple[int, int], int] = {}

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        rows = (topic == Topic.ALERT).nonzero()[0]
        if not len(rows):
            return
        for message in self._transport.feed(block.take(rows)):
            if message.payload is None:
                continue
            if message.pgn == PGN_NMEA_ALERT_TEXT:
                told = read_alert_text(message.payload)
                if told is not None and len(self.texts) < _MOST_ALERTS_OF_ONE:
                    self.texts[told[0]] = told[1]
                continue
            alert = read_alert(message.payload)
            if alert is not None:
                self._say((message.channel, message.source), message.t_ns, alert)

    def _say(self, sender: tuple[int, int], t_ns: int, alert: Alert) -> None:
        n = self._n_messages[sender] = self._n_messages.get(sender, 0) + 1
        own = self.tracks.setdefault(sender, {})
        track = own.get(alert.name)
        if n > _MOST_CHANGES or (track is None and len(own) >= _MOST_ALERTS_OF_ONE):
            self.n_dropped += 1
            return
        if alert.is_active:
            if track is None:
                track = own[alert.name] = CodeTrack(t_ns)
            track.seen(t_ns, alert.occurrence if alert.occurrence < _NO_COUNT else None, t_ns)
            self.last[(*sender, alert.name)] = alert
        elif alert.is_over and track is not None and track.is_open:
            track.clear(t_ns)


_NO_COUNT = 0xFD
"""From here on a byte says that it has no value, or a wrong one (ISO 11783-7: as in SAE J1939-71)."""
