"""Records a source of frames tick by tick and says what changed: joins listening and recorder, knows no terminal."""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.capture.listening import BusState, FrameSource, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder import LogRecorder, RecorderState

__all__ = ["Recording", "RecordingSummary"]


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


class Recording:
    """One run of a recorder; `tick` is called some ten times a second."""

    def __init__(self, source: FrameSource, recorder: LogRecorder) -> None:
        self.source = source
        self.recorder = recorder
        self._start_ns = source.now_ns()
        self._hearing: dict[str, Hearing] = {}
        self._trouble = ""
        self._gaps: list[RecorderGap] = []
        self._n_gaps = 0
        self._gap_ns = 0
        self._n_overruns = 0

    def tick(self) -> tuple[str, ...]:
        """Record what came in; give what changed since the last tick, as sentences.

        Raises
        ------
        InputError : the laptop's clock stands before the end of the recording that is gone on with
        """
        taken = self.source.take()
        self.recorder.write(taken.frames, taken.gaps)
        self._n_gaps += len(taken.gaps)
        self._gap_ns += sum(gap.to_ns - gap.from_ns for gap in taken.gaps)
        return (*self._changed_buses(self.source.buses()), *self._changed_recorder())

    def finish(self) -> RecordingSummary:
        """Stop listening, record what had come in, and close the recording."""
        now_ns = self.source.now_ns()
        self.source.stop()
        self.tick()
        self.recorder.close()
        return RecordingSummary(
            recorder=self.recorder.state,
            duration_s=(now_ns - self._start_ns) / 1e9,
            gaps=self._n_gaps,
            gap_s=self._gap_ns / 1e9,
            overruns=self._n_overruns,
        )

    def _changed_buses(self, buses: Sequence[BusState]) -> list[str]:
        said = []
        for bus in buses:
            before = self._hearing.get(bus.name)
            if bus.hearing is before:
                continue
            self._hearing[bus.name] = bus.hearing
            self._n_overruns += bus.hearing is Hearing.OVERRUN
            if before is not None and not (before is Hearing.OPENING and bus.hearing is Hearing.HEARD):
                why = f": {bus.note}" if bus.note and bus.hearing is not Hearing.HEARD else ""
                said.append(f"{bus.name} {_WORDS.get(bus.hearing, str(bus.hearing))}{why}")
        return said

    def _changed_recorder(self) -> list[str]:
        trouble = self.recorder.state.trouble
        if trouble == self._trouble:
            return []
        was_well, self._trouble = not self._trouble, trouble
        if not trouble:
            return ["recording again"]
        return [trouble] if was_well else []


_WORDS = {
    Hearing.HEARD: "is heard",
    Hearing.SILENT: "has fallen silent",
    Hearing.ADAPTER_LOST: "does not answer",
    Hearing.OVERRUN: "overran",
}
