"""The watches that follow the frames, side by side: presence, the wire, signals and codes.

A recording and a live bus feed the same ones. Each sees every block once, in order; within one block they run in
threads, since most of their time is spent in kernels that let go of the interpreter.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import Action
from busdoc.actions.inferred import SignalChanges
from busdoc.analysis.case import Case
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import Taken
from busdoc.capture.reading import RecorderGap
from busdoc.decode.database.database import Database
from busdoc.decode.j1939.trouble_code import Conversion
from busdoc.decode.protocols.protocol_frames import sieved
from busdoc.decode.protocols.sign import Sign
from busdoc.decode.signals.signals import SignalStatus
from busdoc.decode.signals.summary import SignalSummary
from busdoc.decode.signals.watch import SignalWatch
from busdoc.errors import InputError
from busdoc.health.codes.code import FaultCode
from busdoc.health.codes.code_pointer import CodePointer
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.health.codes.status_code import counter_codes, status_codes, status_incidents
from busdoc.health.controller import ControllerHealth, StreamKey
from busdoc.health.incident import Gap, GapKind, Incident
from busdoc.health.phases.engine import Engine, EngineWatch
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.roll.identity import IdentityWatch
from busdoc.health.roll.known import join_specs
from busdoc.health.roll.roll import node_of, specs_from_database
from busdoc.health.streams.arrivals import StreamArrivals
from busdoc.health.summary import Health
from busdoc.health.wire.wire import WireWatch
from busdoc.intermittent.precursors.event_kinds import EventKinds, gather_event_kinds
from busdoc.machine.condition import is_condition, parse_condition
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import bitrates, specs
from busdoc.symptoms.condition_watch import ConditionWatch
from busdoc.symptoms.of_bus import BusQuestion, bus_symptoms, is_about_bus, parse_bus
from busdoc.symptoms.symptom import Symptom

__all__ = ["CodeFindings", "Watches"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeFindings:
    """The fault codes of a capture, and one incident for each raise."""

    codes: tuple[FaultCode, ...]
    incidents: tuple[Incident, ...]
    warnings: tuple[str, ...]


class Watches:
    """All that is learnt from the frames, up to now.

    Parameters
    ----------
    case : the machine, the database, and the channels, which fill while it is read
    workers : runs the watches of one block side by side, while the next one is being read; None: one after the other
    """

    def __init__(self, case: Case, workers: Executor | None = None) -> None:
        machine, database, channels = case.machine, case.database, case.channels
        known = specs(machine)
        if database is not None:
            known = join_specs(known, specs_from_database(database.bind(channels)))
        self._machine = machine
        self._channels = channels
        self._workers = workers
        self._database = database
        # of a large recording all is compiled from the first block on, else each watch chooses by what it was fed
        compiled = True if case.recording is not None and case.recording.large else None
        self._health = HealthWatch(
            known,
            channels=channels,
            complete=bool(machine.controllers),
            decoded=self._is_decoded,
            compiled=compiled,
        )
        self._wire = WireWatch({}, compiled=compiled)
        self.signals = None if database is None else SignalWatch(database, follow=_followed(machine), compiled=compiled)
        self._spn_senders = {} if database is None else _spn_senders(database)
        self._names = Names()
        self._codes = CodeWatch(
            names=self._names.of_address,
            node_names=self._names.of_node,
            hints=machine.codes,
            spn_names={} if database is None else _spn_names(database),
            senders=lambda spn: self._spn_senders.get(spn, ()),
            conversion=self._code_layout,
        )
        self._identity = IdentityWatch()
        self._conditions = _watch_conditions(case)
        self._bus = parse_bus(case.asked) if case.asked is not None and is_about_bus(case.asked) else None
        self._engine = EngineWatch()
        self.frames_by_channel: Counter[int] = Counter()
        self._running: list[Future[None]] = []
        """What the workers still do with the last block."""

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time; with workers, `settle` waits for them to be done."""
        if not len(block):
            return
        self.settle()
        feeds = [self._health.feed, self._wire.feed, self._follow_protocols, self._count]
        if self.signals is not None:
            feeds.append(self.signals.feed)
        if self._conditions is not None:
            feeds.append(self._conditions.feed)
        if self._workers is None or len(block) < _WORTH_THREADS:
            for feed in feeds:
                feed(block)
            return
        self._running = [self._workers.submit(feed, block) for feed in feeds]

    def settle(self) -> None:
        """Wait until all that was fed is taken in; nothing may be asked before."""
        running, self._running = self._running, []
        for one in running:
            one.result()

    def take(self, taken: Taken) -> None:
        """Take in what a recording or a bus handed over: its frames, and what was not heard."""
        self.feed(taken.frames)
        self.note_gaps(taken.gaps)

    def note_gaps(self, gaps: Iterable[RecorderGap]) -> None:
        """Tell that the recorder itself lost frames or time: silence there is nobody's."""
        self.settle()
        for gap in gaps:
            self._health.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)

    def so_far(self, until_ns: int, open_gaps: Sequence[RecorderGap] = ()) -> Health:
        """Judge what was read up to `until_ns`; feeding may go on afterwards.

        Parameters
        ----------
        until_ns : how far was listened
        open_gaps : stretches that were not heard and still grow
        """
        growing = [
            Gap(channel=gap.channel, from_ns=gap.from_ns, to_ns=gap.to_ns, kind=GapKind.CAPTURE_GAP, why=gap.why)
            for gap in open_gaps
        ]
        return self._completed(self._health.so_far(until_ns, growing))

    def close(self) -> Health:
        """Judge the whole capture."""
        return self._completed(self._health.close())

    def arrivals(self) -> dict[StreamKey, StreamArrivals]:
        """Give how each stream began, and came back after its silences, so far."""
        return self._health.arrivals()

    @property
    def signs(self) -> Sequence[Sign]:
        """Claims, boot-ups and first heartbeats so far, in the order of time."""
        return self._health.signs

    @property
    def start_ns(self) -> int | None:
        """The first frame; None before there was one."""
        return self._health.start_ns

    def engine(self) -> Engine:
        """Give when the engine stood, was turned over and ran, so far."""
        return self._engine.engine()

    def availability(self) -> tuple[SignalChanges, ...]:
        """Give when each signal that shows a part of the map unplugged could be read, and when not."""
        if self.signals is None:
            return ()
        names = {part.signal for part in self._machine.parts.values() if part.signal is not None}
        found = [self.signals.transitions(name) for name in sorted(names)]
        return tuple(
            SignalChanges(signal=one.name, t_ns=one.t_ns, available=one.status == SignalStatus.VALID)
            for one in found
            if len(one.t_ns)
        )

    def turned(self) -> tuple[SignalChanges, ...]:
        """Give when each signal that ever read 'not available' after it could be read did so, and when not."""
        if self.signals is None:
            return ()
        found = []
        for _, _, turns in self.signals.each_transitions():
            available = turns.status == SignalStatus.VALID
            if bool(np.any(available[:-1] & ~available[1:])):
                found.append(SignalChanges(signal=turns.name, t_ns=turns.t_ns, available=available))
        return tuple(found)

    def signal_summaries(self) -> tuple[SignalSummary, ...]:
        """Give what was seen of each signal of the database; nothing without one."""
        return () if self.signals is None else self.signals.summaries()

    def event_kinds(self, health: Health, codes: Sequence[FaultCode], actions: Sequence[Action]) -> EventKinds:
        """Give every kind of event of the record, from the traffic and from the journal."""
        return gather_event_kinds(
            health,
            changes=() if self.signals is None else self.signals.each_transitions(),
            arrivals=self._health.sparse_arrivals(),
            bits=self._health.bit_changes(),
            n_unfollowed=self._health.n_unfollowed_bits,
            codes=codes,
            actions=actions,
        )

    def codes(self, health: Health) -> CodeFindings:
        """Give the fault codes, by the names that `health` gave to the controllers."""
        pointer = CodePointer(self._machine.codes, self._names.of_address, lambda spn: self._spn_senders.get(spn, ()))
        own = list(self._codes.codes(health.until_ns))
        incidents = list(self._codes.incidents(health.until_ns))
        for status in self._machine.statuses if self.signals is not None else ():
            assert self.signals is not None
            heard_ns = self._names.last_heard_ns(status.controller, health)
            found = status_codes(status, self.signals.transitions(status.signal), heard_ns, pointer)
            incidents += status_incidents(found)
            if status.counter is not None:
                found += counter_codes(status.controller, self.signals.transitions(status.counter), pointer)
            own += found
        return CodeFindings(
            codes=tuple(sorted(own, key=lambda code: (code.first_ns, code.controller, code.code))),
            incidents=tuple(incidents),
            warnings=self._codes.warnings,
        )

    def condition_symptoms(self, health: Health) -> tuple[Symptom, ...]:
        """Give the conditions on signals that the map names, and what was asked for of signals or buses, as symptoms.

        Raises
        ------
        InputError : a bus that was not heard, or one whose load cannot be told
        """
        of_signals = () if self._conditions is None else self._conditions.symptoms(health)
        return of_signals if self._bus is None else (*of_signals, *self._bus_symptoms(health, self._bus))

    def _bus_symptoms(self, health: Health, asked: BusQuestion) -> tuple[Symptom, ...]:
        usual = {
            number: bus.usual_errors_per_min
            for bus in self._machine.buses
            if (number := self._channels.find(bus.channel)) is not None
        }
        return bus_symptoms(health, asked, self._channels.name, usual.get)

    def _is_decoded(self, key: StreamKey) -> bool:
        message = None if self._database is None else self._database.find(key.channel, key.id, key.extended)
        return message is not None and bool(message.signals)

    def _follow_protocols(self, block: FrameBlock) -> None:
        telling, topic = sieved(block)
        self._codes.feed(telling)
        self._identity.feed(telling)
        self._engine.feed(telling, topic)

    def _completed(self, health: Health) -> Health:
        """Add the wire, and who each controller said it is."""
        self._wire.know_bitrates(bitrates(self._machine, self._channels))
        self._names.learn(health)
        return replace(
            health,
            wire=self._wire.close(health.until_ns),
            controllers=tuple(self._identified(controller) for controller in health.controllers),
            warnings=(
                *health.warnings,
                *self._identity.warnings(health.start_ns),
                *self._identity.notes(health.start_ns),
            ),
        )

    def _identified(self, controller: ControllerHealth) -> ControllerHealth:
        identity, channel = controller.identity, controller.channel
        if channel is None:
            return controller
        addresses = {stream.key.id & 0xFF for stream in controller.streams if stream.key.extended}
        address = identity.address if identity.address is not None else addresses.pop() if len(addresses) == 1 else None
        if address is None:
            return controller
        claimed = self._identity.identity(channel, address=address).can_name
        if claimed is None:
            return controller
        return replace(controller, identity=replace(identity, address=address, can_name=claimed))

    def _code_layout(self, channel: int, address: int) -> Conversion | None:
        mapped = self._machine.controllers.get(self._names.of_address(channel, address))
        return None if mapped is None or mapped.code_layout is None else Conversion(mapped.code_layout)

    def _count(self, block: FrameBlock) -> None:
        for channel, n_frames in enumerate(np.bincount(block.channel, minlength=1).tolist()):
            if n_frames:
                self.frames_by_channel[channel] += n_frames


_WORTH_THREADS = 20_000


class Names:
    """What the roll calls the controller at an address or node."""

    def __init__(self) -> None:
        self._by_address: dict[tuple[int, int], str] = {}
        self._by_node: dict[tuple[int, int], str] = {}

    def learn(self, health: Health) -> None:
        """Take the names that the roll gave."""
        for controller in health.controllers:
            for stream in controller.streams:
                channel = stream.key.channel
                if stream.key.extended:
                    self._by_address.setdefault((channel, stream.key.id & 0xFF), controller.name)
                if controller.identity.node_id is not None:
                    self._by_node.setdefault((channel, controller.identity.node_id), controller.name)
                elif node_of(stream.key) is not None:
                    self._by_node.setdefault((channel, stream.key.id & 0x7F), controller.name)

    def of_address(self, channel: int, address: int) -> str:
        """Name the controller at a J1939 source address."""
        return self._by_address.get((channel, address), f"address 0x{address:02X}")

    def of_node(self, channel: int, node: int) -> str:
        """Name the CANopen node."""
        return self._by_node.get((channel, node), f"node {node}")

    @staticmethod
    def last_heard_ns(name: str, health: Health) -> int:
        """Say until when a controller's last word is known to have held."""
        for controller in health.controllers:
            if controller.name == name and controller.last_ns is not None:
                return controller.last_ns
        return health.until_ns


def _watch_conditions(case: Case) -> ConditionWatch | None:
    """Follow the conditions of the map, and the one that was asked for.

    Raises
    ------
    InputError : a condition without a database, or with a signal that it does not have
    """
    asked = case.asked
    wanted = [parse_condition(asked, "--symptom")] if asked is not None and is_condition(asked) else []
    if case.database is None:
        if wanted:
            raise InputError("--symptom", "--db FILE beside a condition on a signal", "none", "Add --db FILE.")
        return None
    named = [one for one in case.machine.symptoms if one.name != asked]
    known = [one for one in case.machine.symptoms if one.name == asked]
    wanted = [one for one in wanted if one.name not in {other.name for other in known}]
    conditions = (*wanted, *known, *named)
    return ConditionWatch(conditions, case.database) if conditions else None


def _spn_names(database: Database) -> dict[int, str]:
    return {
        signal.spn: signal.name for message in database.messages for signal in message.signals if signal.spn is not None
    }


def _spn_senders(database: Database) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for message in database.messages:
        for signal in message.signals:
            if signal.spn is not None:
                found[signal.spn] = (*found.get(signal.spn, ()), *message.senders)
    return found


def _followed(machine: Machine) -> frozenset[str]:
    """Name the signals of which every change matters: fault states, retry counters, what shows a part unplugged."""
    names = [status.signal for status in machine.statuses]
    names += [status.counter for status in machine.statuses if status.counter is not None]
    names += [part.signal for part in machine.parts.values() if part.signal is not None]
    return frozenset(names)
