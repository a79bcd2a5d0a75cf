"""Fault codes that a controller says in a signal of its own, as the machine map declares them."""

from collections.abc import Iterator, Sequence
from typing import Protocol

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, distinct
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.summary import Transitions
from busdoc.health.codes.code import CodeKind, FaultCode, code_incident
from busdoc.health.codes.code_pointer import CodePointer
from busdoc.health.incident import Incident

__all__ = ["StatusLike", "available_spans", "counter_codes", "status_codes", "status_incidents"]


class StatusLike(Protocol):
    """A declaration of the machine map: this signal is a fault code while it reads one of these."""

    @property
    def controller(self) -> str:
        """Its sender."""
        ...

    @property
    def signal(self) -> str:
        """The signal as `Message.Signal`."""
        ...

    @property
    def bad(self) -> tuple[str | float, ...]:
        """Texts of the value table, or numbers in the signal's unit, that are a fault."""
        ...

    @property
    def bad_range(self) -> tuple[float, float] | None:
        """Lowest and highest bad value, both included, in the signal's unit; None: no range."""
        ...


def status_codes(
    declared: StatusLike, transitions: Transitions, until_ns: int, pointer: CodePointer | None = None
) -> tuple[FaultCode, ...]:
    """Give one code for each bad value that the signal took, or one for the declared range.

    Parameters
    ----------
    transitions : every change of `declared.signal`; what several streams say is followed apart and counted together
    until_ns : the last time at which the signal is known to have kept its last value
    pointer : where codes say to look

    Returns
    -------
    By the time of the first raise. A value that is not available or an error ends the code.
    """
    found: list[FaultCode] = []
    for word, is_bad in _bad_values(declared, transitions):
        spans = _spans(transitions, is_bad)
        if not spans:
            continue
        first_ns = int(transitions.t_ns.min())
        code = f"{declared.signal} = {word}"
        text = f"its own status message says {word}"
        if declared.bad_range is not None:
            code, text = f"{declared.signal} in {word}", f"its own value is in {word}"
        active = any(cleared_ns is None for _, cleared_ns in spans)
        found.append(
            FaultCode(
                controller=declared.controller,
                kind=CodeKind.STATUS,
                code=code,
                text=text,
                occurrences=len(spans),
                first_ns=spans[0][0],
                last_ns=until_ns if active else max(cleared_ns or 0 for _, cleared_ns in spans),
                active=active,
                active_spans=spans,
                points_at=pointer.of_status(declared.controller, declared.signal, code) if pointer else (),
                edges=tuple((None if a == first_ns else a, until_ns if b is None else b) for a, b in spans),
                heard_spans=available_spans(transitions, until_ns),
            )
        )
    return tuple(sorted(found, key=lambda code: (code.first_ns, code.code)))


def counter_codes(
    controller: str, transitions: Transitions, pointer: CodePointer | None = None
) -> tuple[FaultCode, ...]:
    """Give one code for a counter of the controller's own attempts to recover; each step up is a raise.

    A step down is the counter starting anew with its controller, no attempt.
    """
    stepped_ns: list[int] = []
    n_attempts = 0
    last_value: float | None = None
    for _, rows in _streams(transitions):
        usable = rows[transitions.status[rows] == SignalStatus.VALID]
        values = transitions.value[usable]
        steps = np.diff(values)
        up = np.flatnonzero(steps > 0)
        stepped_ns += transitions.t_ns[usable[up + 1]].tolist()
        n_attempts += int(steps[up].sum())
        last_value = float(values[-1]) if len(values) else last_value
    if not stepped_ns:
        return ()
    stepped_ns.sort()
    code = f"{transitions.name} counted up"
    return (
        FaultCode(
            controller=controller,
            kind=CodeKind.STATUS,
            code=code,
            text=f"it counted {n_attempts} attempts of its own to recover",
            occurrences=len(stepped_ns),
            first_ns=stepped_ns[0],
            last_ns=stepped_ns[-1],
            active=False,
            active_spans=tuple((t_ns, t_ns) for t_ns in stepped_ns),
            edges=tuple((t_ns, t_ns) for t_ns in stepped_ns),
            controller_count=None if last_value is None else int(last_value),
            points_at=pointer.of_status(controller, transitions.name, code) if pointer else (),
        ),
    )


def status_incidents(codes: Sequence[FaultCode], channel: int | None = None) -> tuple[Incident, ...]:
    """Give one incident for each raise of status codes, ascending by onset."""
    raised = [
        code_incident(channel, code, raised_ns, cleared_ns)
        for code in codes
        for raised_ns, cleared_ns in code.active_spans
    ]
    return tuple(sorted(raised, key=lambda incident: (incident.onset_ns, incident.code)))


def _bad_values(declared: StatusLike, transitions: Transitions) -> Iterator[tuple[str, BoolArray]]:
    """Give for each bad value its word and where the signal took it."""
    is_valid = transitions.status == SignalStatus.VALID
    if declared.bad_range is not None:
        low, high = declared.bad_range
        yield f"{low:g} … {high:g}", is_valid & (transitions.value >= low) & (transitions.value <= high)
        return
    labels = np.array(transitions.label, dtype=object)
    for bad in declared.bad:
        if isinstance(bad, str):
            yield bad, np.asarray(labels == bad, np.bool_)
        else:
            yield f"{bad:g}", is_valid & (transitions.value == bad)


def _spans(transitions: Transitions, is_bad: BoolArray) -> tuple[tuple[int, int | None], ...]:
    spans: list[tuple[int, int | None]] = []
    for _, rows in _streams(transitions):
        bad = np.concatenate((np.zeros(1, np.bool_), is_bad[rows], np.zeros(1, np.bool_)))
        edges = np.flatnonzero(np.diff(bad))
        t_ns = transitions.t_ns[rows]
        for first, after in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            spans.append((int(t_ns[first]), int(t_ns[after]) if after < len(rows) else None))
    return tuple(sorted(spans, key=lambda span: span[0]))


def available_spans(transitions: Transitions, until_ns: int) -> tuple[tuple[int, int], ...]:
    """Give (from, to) in ns in which a signal could be read, in any of its streams, ascending."""
    spans = sorted(
        (a, until_ns if b is None else b) for a, b in _spans(transitions, transitions.status == SignalStatus.VALID)
    )
    merged: list[tuple[int, int]] = []
    for from_ns, to_ns in spans:
        if merged and from_ns <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(to_ns, merged[-1][1]))
        else:
            merged.append((from_ns, to_ns))
    return tuple(merged)


def _streams(transitions: Transitions) -> Iterator[tuple[int, Int64Array]]:
    """Give the rows of each stream that carries the signal."""
    stream = transitions.channel.astype(np.int64) << 32 | transitions.id.astype(np.int64)
    for one in distinct(stream).tolist():
        yield one, np.flatnonzero(stream == one).astype(np.int64)
