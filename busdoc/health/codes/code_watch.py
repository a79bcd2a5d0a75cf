"""All fault codes of a capture, of J1939, CANopen and NMEA 2000 controllers; as a list and as incidents."""

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from busdoc.capture.frames import FrameBlock
from busdoc.decode.canopen.emergency import emergency_text
from busdoc.decode.j1939.code_words import code_text, missed_address
from busdoc.decode.j1939.trouble_code import Conversion, Lamp, TroubleCode, read_code
from busdoc.decode.nmea2000.alert import AlertName, alert_text
from busdoc.decode.protocols.protocol_frames import sieved
from busdoc.health.codes.alert_watch import AlertWatch
from busdoc.health.codes.code import CodeKind, CodeTrack, FaultCode, code_incidents
from busdoc.health.codes.code_pointer import CodeHintLike, CodePointer
from busdoc.health.codes.emergency_watch import EmergencyWatch
from busdoc.health.codes.trouble_watch import SILENT_AFTER_NS, TroubleSender, TroubleWatch
from busdoc.health.incident import Incident

__all__ = ["CodeWatch"]

_LAMP_WORDS = {
    Lamp.MALFUNCTION: "malfunction indicator",
    Lamp.RED_STOP: "red stop lamp",
    Lamp.AMBER_WARNING: "amber warning lamp",
    Lamp.PROTECT: "protect lamp",
}


class CodeWatch:
    """Takes blocks in order; gives the codes at any time. Where the blocks are cut changes nothing.

    Parameters
    ----------
    names : how the controller at a (channel, source address) is called; asked only when codes are wanted
    node_names : the same for a (channel, CANopen node); None: `names`
    hints : the machine map's lines about codes
    spn_names : what the user's database calls a suspect parameter
    senders : which controllers send a suspect parameter, from the user's database
    conversion : which version of the SPN's layout a (channel, source address) uses with conversion method 1; None
        where nobody said
    """

    def __init__(
        self,
        *,
        names: Callable[[int, int], str],
        node_names: Callable[[int, int], str] | None = None,
        hints: Iterable[CodeHintLike] = (),
        spn_names: Mapping[int, str] = MappingProxyType({}),
        senders: Callable[[int], tuple[str, ...]] | None = None,
        conversion: Callable[[int, int], Conversion | None] = lambda channel, address: None,
    ) -> None:
        self._names = names
        self._node_names = node_names or names
        self._spn_names = spn_names
        self._conversion = conversion
        self._pointer = CodePointer(hints, names, senders)
        self._trouble = TroubleWatch()
        self._emergencies = EmergencyWatch()
        self._alerts = AlertWatch()

    def feed(self, block: FrameBlock) -> None:
        """Take in the next block, whole or sieved by `busdoc.decode.protocols.protocol_frames.protocol_frames`."""
        frames, topic = sieved(block)
        self._trouble.feed(frames, topic)
        self._emergencies.feed(frames, topic)
        self._alerts.feed(frames, topic)

    def codes(self, until_ns: int) -> tuple[FaultCode, ...]:
        """List every code, by its first appearance, as it stands at `until_ns`, the end of what was fed.

        A broadcast that stopped more than five seconds before closes its codes at the last message.
        """
        found = [code for _, code, _ in self._followed(until_ns)]
        return tuple(sorted(found, key=lambda code: (code.first_ns, code.controller, code.code)))

    def incidents(self, until_ns: int) -> tuple[Incident, ...]:
        """Give one incident for each time that a code was raised, ascending by onset."""
        raised = [
            incident
            for channel, code, track in self._followed(until_ns)
            for incident in code_incidents(channel, code, track, until_ns)
        ]
        return tuple(sorted(raised, key=lambda incident: (incident.onset_ns, incident.controllers, incident.code)))

    @property
    def stops(self) -> tuple[tuple[int, int, int, int], ...]:
        """Commands that silenced a network on purpose (DM13): ns, channel, source, destination; the first hundred."""
        return tuple(self._trouble.stops)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was left out, and what silences codes, in words."""
        said: list[str] = []
        for channel, source in sorted({(channel, source) for _, channel, source, _ in self.stops}):
            said.append(
                f"{self._names(channel, source)} told controllers on channel {channel} to stop broadcasting (DM13): "
                "silence after that was asked for."
            )
        for (channel, address), n in sorted(self._trouble.incomplete.items()):
            said.append(f"{self._names(channel, address)}: {n} broadcasts of fault codes were incomplete and not used.")
        for (channel, address), sender in sorted(self._trouble.senders.items()):
            if sender.n_malformed:
                name = self._names(channel, address)
                said.append(f"{name}: {sender.n_malformed} fault code messages are too short to read.")
        n_dropped = self._trouble.n_dropped + self._emergencies.n_dropped + self._alerts.n_dropped
        if n_dropped:
            said.append(f"{n_dropped} fault code entries were not kept: there are too many different ones.")
        return tuple(said)

    def _followed(self, until_ns: int) -> Iterable[tuple[int, FaultCode, CodeTrack]]:
        for (channel, address), sender in sorted(self._trouble.senders.items()):
            for raw, track in sorted(sender.codes.items()):
                yield channel, self._trouble_code(channel, address, sender, raw, track, until_ns), track
        for (channel, node), tracks in self._emergencies.tracks.items():
            for emcy, track in sorted(tracks.items()):
                yield channel, self._emergency_code(channel, node, emcy, track), track
        for (channel, address), alerts in sorted(self._alerts.tracks.items()):
            for name, track in alerts.items():
                yield channel, self._alert_code(channel, address, name, track), track

    def _trouble_code(
        self, channel: int, address: int, sender: TroubleSender, raw: bytes, track: CodeTrack, until_ns: int
    ) -> FaultCode:
        conversion = self._conversion(channel, address)
        code = read_code(raw, conversion or Conversion.VERSION_3)
        name = self._names(channel, address)
        is_heard = sender.last_ns is not None and until_ns - sender.last_ns <= SILENT_AFTER_NS
        last_ns = track.last_ns
        if track.is_open and sender.last_ns is not None:
            last_ns = sender.last_ns  # repeats that say nothing new are passed over
        own_names, missed = self._spn_names, missed_address(code.spn)
        if missed is not None and code.spn not in own_names:
            own_names = {code.spn: f"{self._names(channel, missed)} (source address {missed})"}
        text = code_text(code.spn, code.fmi, own_names)
        if code.old_conversion and conversion is None:
            text += f" ({_other_readings(raw, code)})"
        if track.stored and not track.occurrences:
            text += " (stored as previously active)"
        return FaultCode(
            controller=name,
            kind=CodeKind.SPN_FMI,
            code=f"SPN {code.spn} FMI {code.fmi}",
            text=text,
            occurrences=track.occurrences,
            first_ns=track.first_ns,
            last_ns=last_ns,
            active=track.is_open and is_heard,
            active_spans=_spans(track, None if is_heard else last_ns),
            spn=code.spn,
            fmi=code.fmi,
            controller_count=track.count,
            points_at=self._pointer.of_spn(name, channel, code.spn, code.fmi),
            lamps=tuple(word for lamp, word in _LAMP_WORDS.items() if track.lamps_on >> lamp & 1),
            edges=_edges(track, last_ns),
            heard_spans=tuple(sender.heard) if sender.says_none else None,
        )

    def _emergency_code(self, channel: int, node: int, emcy: int, track: CodeTrack) -> FaultCode:
        name = self._node_names(channel, node)
        return FaultCode(
            controller=name,
            kind=CodeKind.EMCY,
            code=f"EMCY 0x{emcy:04X}",
            text=emergency_text(emcy),
            occurrences=track.occurrences,
            first_ns=track.first_ns,
            last_ns=track.last_ns,
            active=track.is_open,
            active_spans=_spans(track, None),
            emcy=emcy,
            points_at=self._pointer.of_emergency(name, emcy),
            edges=_edges(track, track.last_ns),
        )

    def _alert_code(self, channel: int, address: int, name: AlertName, track: CodeTrack) -> FaultCode:
        return FaultCode(
            controller=self._names(channel, address),
            kind=CodeKind.ALERT,
            code=name.code,
            text=alert_text(self._alerts.last[channel, address, name], self._alerts.texts.get(name)),
            occurrences=track.occurrences,
            first_ns=track.first_ns,
            last_ns=track.last_ns,
            active=track.is_open,
            active_spans=_spans(track, None),
            controller_count=track.count,
            edges=_edges(track, track.last_ns),
        )


def _spans(track: CodeTrack, open_until_ns: int | None) -> tuple[tuple[int, int | None], ...]:
    return tuple(
        (span.raised_ns, span.cleared_ns if span.cleared_ns is not None else open_until_ns) for span in track.spans
    )


def _edges(track: CodeTrack, last_ns: int) -> tuple[tuple[int | None, int], ...]:
    """When its sender was last heard without it before each span, and last with it."""
    return tuple(
        (
            None if span.was_there else span.not_yet_ns,
            span.still_ns if span.cleared_ns is not None else max(last_ns, span.raised_ns),
        )
        for span in track.spans
    )


def _other_readings(raw: bytes, code: TroubleCode) -> str:
    """Say how a code with the old conversion method reads in the versions that its bytes do not tell apart."""
    others = [read_code(raw, version).spn for version in (Conversion.VERSION_1, Conversion.VERSION_2)]
    return f"old layout: may also be SPN {' or '.join(str(spn) for spn in others if spn != code.spn)}"
