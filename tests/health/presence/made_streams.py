"""Cyclic streams and silences made by hand, for the parts of the presence engine by themselves."""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence, SilentStream
from busdoc.health.presence.judged_controller import JudgedController
from busdoc.health.streams.rhythm import Rhythm
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import ControllerSpec, Identity, PeriodFrom

MS, S = 1_000_000, 1_000_000_000


def silence(
    from_ns: int,
    to_ns: int | None,
    *,
    before_ns: Sequence[int] = (),
    after_ns: Sequence[int] = (),
    nth: int = 100,
    before_data: UInt8Array | None = None,
    after_data: UInt8Array | None = None,
) -> Silence:
    """Give a silence with the frames around it; payloads of zeros where none are given."""
    before: Int64Array = np.array(before_ns, np.int64)
    after: Int64Array = np.array(after_ns, np.int64)
    return Silence(
        from_ns=from_ns,
        to_ns=to_ns,
        nth=nth,
        before_ns=before,
        before_data=np.zeros((len(before), 8), np.uint8) if before_data is None else before_data,
        after_ns=after,
        after_data=np.zeros((len(after), 8), np.uint8) if after_data is None else after_data,
    )


def stream(
    *silences: Silence,
    row: int = 0,
    period_ns: int = 100 * MS,
    deadline_ns: int = 250 * MS,
    slowest_ns: int | None = None,
    jitter_ns: int = MS,
    exact_period_ns: float | None = None,
    count: int = 1001,
    first_ns: int = 0,
    last_ns: int = 100 * S,
    period_from: PeriodFrom = PeriodFrom.LEARNT,
) -> CyclicStream:
    """Give a cyclic stream with these silences."""
    return CyclicStream(
        row=row,
        rhythm=Rhythm(
            cyclic=True,
            period_ns=period_ns,
            jitter_ns=jitter_ns,
            slowest_ns=period_ns if slowest_ns is None else slowest_ns,
            deadline_ns=deadline_ns,
            exact_period_ns=exact_period_ns,
            period_from=period_from,
        ),
        count=count,
        first_ns=first_ns,
        last_ns=last_ns,
        silences=silences,
        silent_from_ns=tuple(one.from_ns for one in silences),
    )


def absence(
    last_seen_ns: int,
    back_ns: int | None,
    *streams: SilentStream,
    onset_ns: int | None = None,
    steady_ns: int | None = None,
    deadline_ns: int = 250 * MS,
    jitter_ns: int = 0,
) -> Absence:
    """Give an absence; its first frame was missed 100 ms after the last one seen unless said otherwise."""
    return Absence(
        last_seen_ns=last_seen_ns,
        onset_ns=last_seen_ns + 100 * MS if onset_ns is None else onset_ns,
        back_ns=back_ns,
        steady_ns=steady_ns,
        deadline_ns=deadline_ns,
        jitter_ns=jitter_ns,
        streams=streams,
    )


def controller(
    name: str = "hopper",
    *absences: Absence,
    streams: Sequence[CyclicStream] = (),
    late: Sequence[Absence] = (),
    channel: int = 0,
    first_ns: int = 0,
    spec: ControllerSpec | None = None,
) -> JudgedController:
    """Give a controller with these absences."""
    return JudgedController(
        name=name,
        channel=channel,
        identity=Identity(),
        spec=spec,
        rows=[one.row for one in streams],
        first_ns=first_ns,
        last_ns=100 * S,
        cyclic_streams=list(streams),
        silences=[],
        signs=[],
        absences=list(absences),
        late=list(late),
    )
