"""The watches that follow the frames, side by side: presence, the wire, signals and codes.

A recording and a live bus feed the same ones. Each sees every block once, in order; within one block they run in
threads, since most of their time is spent in kernels that let go of the interpreter.
"""

from collections import Counter
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np

from busdoc.actions.machine import Machine
from busdoc.actions.machine_map import bitrates, specs
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database import Database
from busdoc.decode.signal_summary import SignalSummary
from busdoc.decode.signal_watch import SignalWatch
from busdoc.health.known import join_specs
from busdoc.health.roll import specs_from_database
from busdoc.health.summary import Health
from busdoc.health.watch import HealthWatch
from busdoc.health.wire import WireWatch

__all__ = ["Watches"]


class Watches:
    """All that is learnt from the frames, up to now.

    Parameters
    ----------
    machine : the map, empty when there is none
    database : None when there is none
    channels : the capture's, filled while it is read
    workers : runs the watches of one block side by side; None: one after the other
    """

    def __init__(
        self,
        machine: Machine,
        database: Database | None,
        channels: ChannelTable,
        workers: Executor | None = None,
    ) -> None:
        known = specs(machine)
        if database is not None:
            known = join_specs(known, specs_from_database(database.bind(channels)))
        self._machine = machine
        self._channels = channels
        self._workers = workers
        self._health = HealthWatch(known, channels=channels, complete=bool(machine.controllers))
        self._wire = WireWatch({})
        self.signals = None if database is None else SignalWatch(database, follow=_followed(machine))
        self.frames_by_channel: Counter[int] = Counter()

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        feeds = [self._health.feed, self._wire.feed, self._count]
        if self.signals is not None:
            feeds.append(self.signals.feed)
        if self._workers is None or len(block) < _WORTH_THREADS:
            for feed in feeds:
                feed(block)
            return
        for running in [self._workers.submit(feed, block) for feed in feeds]:
            running.result()

    def note_gap(self, from_ns: int, to_ns: int, channel: int | None, why: str) -> None:
        """Tell that the recorder itself lost frames or time: silence there is nobody's."""
        self._health.note_gap(from_ns, to_ns, channel, why)

    def so_far(self, until_ns: int) -> Health:
        """Judge what was read up to `until_ns`; feeding may go on afterwards."""
        self._wire.know_bitrates(bitrates(self._machine, self._channels))
        return replace(self._health.so_far(until_ns), wire=self._wire.close(until_ns))

    def close(self) -> Health:
        """Judge the whole capture."""
        self._wire.know_bitrates(bitrates(self._machine, self._channels))
        health = self._health.close()
        return replace(health, wire=self._wire.close(health.until_ns))

    def signal_summaries(self) -> tuple[SignalSummary, ...]:
        """Give what was seen of each signal of the database; nothing without one."""
        return () if self.signals is None else self.signals.summaries()

    def _count(self, block: FrameBlock) -> None:
        for channel, n_frames in enumerate(np.bincount(block.channel, minlength=1).tolist()):
            if n_frames:
                self.frames_by_channel[channel] += n_frames


_WORTH_THREADS = 20_000


def _followed(machine: Machine) -> frozenset[str]:
    """Name the signals of which every change matters: fault states, retry counters, what shows a part unplugged."""
    names = [status.signal for status in machine.statuses]
    names += [status.counter for status in machine.statuses if status.counter is not None]
    names += [part.signal for part in machine.parts.values() if part.signal is not None]
    return frozenset(names)
