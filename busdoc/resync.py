"""Resync of a recording: capture, map, database and journal in; how every controller came back out.

This joins the folders for `busdoc resync`, and for `busdoc baseline`, which learns from the same returns.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.journal import Journal, load_journal
from busdoc.actions.machine import Machine, PartKind
from busdoc.actions.machine_map import bitrates, load_machine
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.database import Database, load_databases
from busdoc.health.code import FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.health.resync import Expectation, FoundBy, PowerUp, PowerUpReturn, ReturnVerdict, Switched
from busdoc.health.resync_facts import Heard, expected_name_of, follow_return, moved_to, with_moved
from busdoc.health.resync_power_up import Group, Opening, find_power_ups
from busdoc.health.resync_verdict import give_verdicts
from busdoc.health.resync_watch import ReturnWatch
from busdoc.health.summary import Health
from busdoc.postmortem import DatabaseFile
from busdoc.watches import Watches

__all__ = ["Resync", "ResyncWatches", "resync"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resync:
    """All power-ups of a recording."""

    files: tuple[Path, ...]
    epoch: bool
    """Times are Unix times; else they count from the capture's own zero."""
    machine: Machine
    health: Health
    channel_names: tuple[tuple[int, str], ...]
    opening: Opening
    power_ups: tuple[PowerUpReturn, ...]
    """Ascending by time."""
    busier: tuple[str, ...] = ()
    """What the wire carries more of than it did, as sentences."""
    codes: tuple[FaultCode, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def verdict(self) -> ReturnVerdict:
        """Fail when any power-up fails; pass when all pass."""
        verdicts = {one.verdict for one in self.power_ups}
        if ReturnVerdict.FAIL in verdicts:
            return ReturnVerdict.FAIL
        return ReturnVerdict.PASS if verdicts == {ReturnVerdict.PASS} else ReturnVerdict.NO_LIMIT


def resync(
    captures: Sequence[Path],
    *,
    databases: Sequence[DatabaseFile] = (),
    machine_file: Path | None = None,
    journal_file: Path | None = None,
    progress: Callable[[int], None] | None = None,
) -> Resync:
    """Say of each power-up in a recording whether every controller came back in step.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML, with limits that `busdoc baseline` learnt
    journal_file : what was done, CSV
    progress : called with the number of frames of each block

    Raises
    ------
    InputError : a file that cannot be used
    """
    machine = Machine() if machine_file is None else load_machine(machine_file)
    capture = open_capture(captures)
    database = load_databases(databases) if databases else None
    watches = ResyncWatches(machine, database, capture.channels)
    for block in capture.blocks():
        watches.feed(block)
        if progress is not None:
            progress(len(block))
    for gap in capture.gaps:
        watches.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)
    start_ns = watches.start_ns
    journal = (
        Journal()
        if journal_file is None
        else load_journal(journal_file, machine, start_ns=start_ns, epoch=capture.epoch)
    )
    found = watches.judge(journal.actions)
    names = tuple((number, capture.channels.name(number)) for number in capture.channels.numbers)
    own = () if database is None else database.warnings
    return replace(
        found,
        files=capture.files,
        epoch=capture.epoch,
        channel_names=names,
        warnings=tuple(dict.fromkeys((*capture.warnings, *found.warnings, *own, *journal.warnings))),
    )


class ResyncWatches:
    """All that following returns needs of the frames; a recording and a live bus feed it alike.

    Parameters
    ----------
    machine : the map, empty when there is none
    database : None when there is none
    channels : the capture's, filled while it is read
    """

    def __init__(self, machine: Machine, database: Database | None, channels: ChannelTable) -> None:
        self._machine = machine
        self._channels = channels
        self._watches = Watches(machine, database, channels)
        self._returns = ReturnWatch()

    @property
    def start_ns(self) -> int:
        """The first frame; 0 before there was one."""
        return self._returns.start_ns or 0

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        self._watches.feed(block)
        self._returns.feed(block)

    def note_gap(self, from_ns: int, to_ns: int, channel: int | None, why: str) -> None:
        """Tell that the recorder itself lost frames or time."""
        self._watches.note_gap(from_ns, to_ns, channel, why)

    def judge(self, actions: Sequence[Action] = (), until_ns: int | None = None) -> Resync:
        """Judge every power-up so far; feeding may go on afterwards.

        Parameters
        ----------
        actions : the journal's
        until_ns : until when was listened; None: the last frame
        """
        health = self._watches.close() if until_ns is None else self._watches.so_far(until_ns)
        codes = self._watches.codes(health)
        heard = Heard(self._returns.streams(), self._returns.signs, health.incidents, codes.codes)
        groups = _groups(self._machine, health)
        switched = (*_switched(actions, groups), *self._by_signal(groups))
        opening, power_ups = find_power_ups(
            health.controllers,
            groups,
            switched,
            health.incidents,
            self._returns.signs,
            health.start_ns,
            health.until_ns,
        )
        expected = expectations(self._machine, self._channels, actions)
        returns = tuple(self._follow(one, heard, health, expected) for one in power_ups)
        return Resync(
            files=(),
            epoch=True,
            machine=self._machine,
            health=health,
            channel_names=(),
            opening=opening,
            power_ups=returns,
            busier=_busier(self._machine, self._channels, health),
            codes=codes.codes,
            warnings=(*health.warnings, *codes.warnings),
        )

    def _follow(
        self, power_up: PowerUp, heard: Heard, health: Health, expected: dict[str, Expectation]
    ) -> PowerUpReturn:
        by_name = {one.name: one for one in health.controllers}
        power_up = with_moved(heard, power_up, _moves(power_up, heard, by_name, expected))
        known = bool(self._machine.controllers)
        returns = []
        for name in power_up.controllers:
            one = by_name.get(name)
            if one is None or (not known and not _is_due(one, power_up)):
                continue
            returns.append(follow_return(heard, power_up, one, expected.get(name, Expectation(name=name))))
        moved = {one.moved_to for one in returns if one.moved_to is not None}
        returns = [one for one in returns if known or by_name[one.name].identity.address not in moved]
        exchanged = frozenset(name for name, one in expected.items() if one.may_be_exchanged)
        new = tuple(
            one.name
            for one in health.controllers
            if known
            and one.name not in expected
            and one.identity.address not in moved | {None}
            and one.first_ns is not None
            and power_up.zero_ns is not None
            and power_up.zero_ns <= one.first_ns < power_up.until_ns
        )
        return PowerUpReturn(power_up=power_up, controllers=give_verdicts(power_up, returns, exchanged), new=new)

    def _by_signal(self, groups: Sequence[Group]) -> list[Switched]:
        """Give when the signal of a feed says that it was switched on."""
        signals = self._watches.signals
        found: list[Switched] = []
        for group in groups if signals is not None else ():
            feed = None if group.feed is None else self._machine.parts[group.feed]
            if signals is None or feed is None or feed.signal is None:
                continue
            changes = signals.transitions(feed.signal)
            on = (changes.value != 0) & (changes.status == 0)
            found += [
                Switched(
                    time_ns=int(changes.t_ns[at]),
                    uncertainty_ns=0,
                    feed=feed.name,
                    controllers=group.controllers,
                    found_by=FoundBy.SIGNAL,
                )
                for at in range(1, len(on))
                if on[at] and not on[at - 1]
            ]
        return found


def _moves(
    power_up: PowerUp, heard: Heard, by_name: Mapping[str, ControllerHealth], expected: Mapping[str, Expectation]
) -> Iterator[tuple[int | None, int]]:
    """Give the (channel, address) that controllers of a power-up claimed instead of their own."""
    for name in power_up.controllers:
        one = by_name.get(name)
        if one is None or one.identity.address is None:
            continue
        can_name = expected_name_of(heard, power_up, one, expected.get(name, Expectation(name=name)))
        address = moved_to(heard, power_up, one, can_name)
        if address is not None:
            yield one.channel, address


def _is_due(one: ControllerHealth, power_up: PowerUp) -> bool:
    """Tell whether a controller that nobody named should come back: it was there before, or it came now."""
    if one.first_ns is None or not any(stream.cyclic for stream in one.streams):
        return False
    before = power_up.off_ns is not None and one.first_ns <= power_up.off_ns
    return before or (power_up.zero_ns is not None and power_up.zero_ns <= one.first_ns < power_up.until_ns)


def _groups(machine: Machine, health: Health) -> list[Group]:
    """List who gets supply together: the whole machine, then its feeds from the main one down."""
    everybody = tuple(machine.controllers) or tuple(one.name for one in health.controllers)
    groups = [Group(feed=None, controllers=everybody)]
    feeds = [part.name for part in machine.parts.values() if part.kind is PartKind.FEED]
    for feed in sorted(feeds, key=lambda name: len(machine.feeds_above(name))):
        below = machine.controllers_below(feed)
        if below and set(below) != set(everybody):
            groups.append(Group(feed=feed, controllers=below))
    return groups


def _switched(actions: Iterable[Action], groups: Sequence[Group]) -> list[Switched]:
    by_feed = {group.feed: group.controllers for group in groups}
    return [
        Switched(
            time_ns=action.time_ns,
            uncertainty_ns=action.uncertainty_ns,
            feed=action.part if action.part in by_feed else None,
            controllers=by_feed.get(action.part, by_feed[None]),
            found_by=FoundBy.JOURNAL,
        )
        for action in actions
        if action.kind in (ActionKind.POWER_ON, ActionKind.POWER_CYCLE)
    ]


def expectations(machine: Machine, channels: ChannelTable, actions: Sequence[Action]) -> dict[str, Expectation]:
    """Turn the map into what must come back, by the controllers' names."""
    handled = {
        name
        for action in actions
        if action.kind in (ActionKind.REPLACE, ActionKind.SWAP)
        for name in (action.part, action.into)
    }
    found = {}
    for name, controller in machine.controllers.items():
        spec = controller.spec
        found[name] = Expectation(
            name=name,
            channel=None if spec.channel is None else channels.find(spec.channel),
            identity=spec.identity,
            streams=tuple(stream for stream in spec.expects if stream.period_ns is not None),
            limit_ns=spec.back_within_ns,
            usual_ns=controller.back_usually_ns,
            may_be_exchanged=name in handled,
        )
    return found


_MORE_LOAD = 0.05
_MORE_ERRORS = 3.0
_LEAST_ERRORS = 10


def _busier(machine: Machine, channels: ChannelTable, health: Health) -> tuple[str, ...]:
    """Compare load and error frames with what the map says is usual."""
    said = []
    known = bitrates(machine, channels)
    for bus in machine.buses:
        channel = channels.find(bus.channel)
        wire = next((one for one in health.wire if one.channel == channel), None)
        if channel not in known or wire is None or not len(wire.second_ns):
            continue
        name = channels.name(channel) if channel is not None else str(bus.channel)
        if bus.usual_load is not None and wire.mean_load is not None and wire.mean_load > bus.usual_load + _MORE_LOAD:
            said.append(f"{name}: the load is {wire.mean_load:.0%}, it used to be {bus.usual_load:.0%}.")
        if bus.usual_errors_per_min is None:
            continue
        n_errors = int(wire.error_frames.sum())
        minutes = max(health.until_ns - health.start_ns, 1) / 60e9
        usual = bus.usual_errors_per_min * minutes
        if n_errors >= _LEAST_ERRORS and n_errors > _MORE_ERRORS * usual:
            rate = n_errors / minutes
            said.append(f"{name}: {rate:.1f} error frames a minute, it used to be {bus.usual_errors_per_min:.1f}.")
    return tuple(said)
