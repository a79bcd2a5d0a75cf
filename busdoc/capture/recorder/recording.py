"""Records a source of frames tick by tick and says what changed: joins listening and recorder, knows no terminal."""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.capture.listening import BusState, FrameSource, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import LogRecorder, RecorderState
from busdoc.capture.recorder.twofold import TwofoldRecorder
from busdoc.times import SECOND_NS

__all__ = ["Change", "Recording", "RecordingSummary"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What became different, as a sentence."""

    text: str
    is_ours: bool
    """Whether it is the adapter, the laptop or the disk, and not only the machine that was switched off or on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSummary:
    """How a recording went."""

    recorder: RecorderState
    duration_s: float
    gaps: int
    """Stretches that the adapters or the laptop did not hear."""
    gap_s: float
    """How long they were together."""
    overruns: int
    """Times that the laptop or an adapter did not keep up."""
    away: tuple[BusState, ...] = ()
    """Buses whose adapter did not answer at the end."""


class Recording:
    """One run of a recorder; `tick` is called some ten times a second."""

    def __init__(self, source: FrameSource, recorder: LogRecorder | TwofoldRecorder) -> None:
        self.source = source
        self.recorder = recorder
        self._start_ns = source.now_ns()
        self._hearing: dict[str, Hearing] = {}
        self._remarks: set[tuple[str, str]] = set()
        self._trouble = ""
        self._gaps: list[RecorderGap] = []
        self._n_gaps = 0
        self._gap_ns = 0
        self._n_overruns = 0

    def tick(self) -> tuple[Change, ...]:
        """Record what came in; give what changed since the last tick.

        Raises
        ------
        InputError : the laptop's clock stands before the end of the recording that is gone on with
        """
        taken = self.source.take()
        self.recorder.write(taken.frames, taken.gaps, taken.open_gaps)
        self._n_gaps += len(taken.gaps)
        self._gap_ns += sum(gap.to_ns - gap.from_ns for gap in taken.gaps)
        buses = self.source.buses()
        self.recorder.note(self.source.now_ns(), buses)
        return (*self._remarked(buses), *self._changed_buses(buses), *self._changed_recorder())

    def finish(self) -> RecordingSummary:
        """Stop listening, record what had come in, and close the recording."""
        now_ns = self.source.now_ns()
        away = tuple(bus for bus in self.source.buses() if bus.hearing is Hearing.ADAPTER_LOST)
        self.source.stop()
        try:
            self.tick()
        finally:
            self.recorder.close()
        return RecordingSummary(
            recorder=self.recorder.state,
            duration_s=(now_ns - self._start_ns) / SECOND_NS,
            gaps=self._n_gaps,
            gap_s=self._gap_ns / SECOND_NS,
            overruns=self._n_overruns,
            away=away,
        )

    def _remarked(self, buses: Sequence[BusState]) -> list[Change]:
        """Give what is to be known of the buses, each once, whoever listens."""
        new = [(bus.name, text) for bus in buses for text in bus.remarks if (bus.name, text) not in self._remarks]
        self._remarks.update(new)
        return [Change(text=f"{name}: {text}", is_ours=True) for name, text in new]

    def _changed_buses(self, buses: Sequence[BusState]) -> list[Change]:
        changes = []
        for bus in buses:
            before = self._hearing.get(bus.name)
            if bus.hearing is before:
                continue
            self._hearing[bus.name] = bus.hearing
            self._n_overruns += bus.hearing is Hearing.OVERRUN
            is_away = bus.hearing is Hearing.ADAPTER_LOST  # from the start, where it is waited for
            if (before is None and not is_away) or (before is Hearing.OPENING and bus.hearing is Hearing.HEARD):
                continue
            why = f": {bus.note}" if bus.note and bus.hearing is not Hearing.HEARD else ""
            is_ours = bool({before, bus.hearing} & {Hearing.ADAPTER_LOST, Hearing.OVERRUN})
            changes.append(Change(text=f"{bus.name} {_WORDS.get(bus.hearing, str(bus.hearing))}{why}", is_ours=is_ours))
        return changes

    def _changed_recorder(self) -> list[Change]:
        trouble = self.recorder.state.trouble
        if trouble == self._trouble:
            return []
        was_well, self._trouble = not self._trouble, trouble
        if not trouble:
            return [Change(text="recording again", is_ours=True)]
        return [Change(text=trouble, is_ours=True)] if was_well else []


_WORDS = {
    Hearing.HEARD: "is heard",
    Hearing.SILENT: "has fallen silent",
    Hearing.ADAPTER_LOST: "does not answer",
    Hearing.OVERRUN: "overran",
}
