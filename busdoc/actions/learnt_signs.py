"""What a part's absence looks like on the bus, learnt from the times when somebody said that it was unplugged.

A map may declare the signal that reads 'not available' while a part is out. Where it does not, the first unplugging
that is pressed teaches it: the signals that turned 'not available' then, or the open-circuit code that came. From then
on the same signs without a press look like the same part unplugged again, which may be proposed and is never trusted
over a press.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from busdoc.actions.action import Action, ActionKind, Origin
from busdoc.actions.inferred import SignalChanges, plug_actions
from busdoc.arrays import BoolArray, Int64Array
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.machine.machine import Machine, Part, PartKind
from busdoc.times import SECOND_NS

__all__ = ["learnt_plug_actions"]

_BESIDE_NS = 3 * SECOND_NS
"""A sign this near an unplugging that was pressed is taken for its doing: people press a second or two late."""
_CODE_AFTER_NS = 5 * SECOND_NS
"""Controllers look at their inputs for a while before they raise a code (common practice)."""
_OPEN_CIRCUIT = (3, 4, 5)
"""Failure modes of an input that is open: voltage high, voltage low, current low (SAE J1939-73, appendix A)."""


def learnt_plug_actions(
    machine: Machine,
    changes: Sequence[SignalChanges],
    codes: Sequence[FaultCode],
    controllers: Sequence[ControllerHealth],
    journal: Sequence[Action],
) -> tuple[Action, ...]:
    """Infer that parts were unplugged and plugged from signs that earlier presses taught.

    Parameters
    ----------
    machine : the map; signals that it declares teach nothing new
    changes : of every signal that ever read 'not available'
    codes : of the record
    controllers : tells when one was starting up
    journal : ascending by time

    Returns
    -------
    Ascending by time, origin `SIGNAL`, numbered from 1
    """
    presses = [a for a in journal if a.kind is ActionKind.UNPLUG and a.origin is Origin.JOURNAL and a.part is not None]
    if not presses:
        return ()
    declared = {part.signal for part in machine.parts.values() if part.signal is not None}
    free = [change for change in changes if change.signal not in declared]
    signs = _by_part(presses, free, _BESIDE_NS)
    spoken = [change for code in codes for change in _spells(code)]
    by_code = _by_part(presses, spoken, _CODE_AFTER_NS)
    taught = {part: _together(found) for part, found in {**by_code, **signs}.items()}
    if not taught:
        return ()
    parts: Mapping[str, Part] = MappingProxyType(
        {
            **machine.parts,
            **{
                name: replace(machine.parts.get(name, Part(name=name, kind=PartKind.HARNESS)), signal=change.signal)
                for name, change in taught.items()
            },
        }
    )
    return plug_actions(replace(machine, parts=parts), tuple(taught.values()), controllers, journal)


def _by_part(
    presses: Iterable[Action], changes: Sequence[SignalChanges], within_ns: int
) -> dict[str, list[SignalChanges]]:
    """Give each part the signs that turned as it was unplugged; one that turned for two parts belongs to neither."""
    owners: dict[str, set[str]] = {}
    by_name = {change.signal: change for change in changes}
    for press in presses:
        for change in changes:
            gone_ns = change.t_ns[1:][change.available[:-1] & ~change.available[1:]]
            if press.part is not None and bool(np.any(np.abs(gone_ns - press.time_ns) <= within_ns)):
                owners.setdefault(change.signal, set()).add(press.part)
    found: dict[str, list[SignalChanges]] = {}
    for signal, parts in owners.items():
        if len(parts) == 1:
            found.setdefault(next(iter(parts)), []).append(by_name[signal])
    return found


def _together(changes: Sequence[SignalChanges]) -> SignalChanges:
    """Join the signs of one part: out while all of them are out, in while all are in."""
    name = "learnt: " + ", ".join(change.signal for change in changes)
    t_ns = np.unique(np.concatenate([change.t_ns for change in changes]))
    states = np.array([_state_at(change, t_ns) for change in changes])
    all_in: BoolArray = np.asarray(states.all(axis=0))
    told = all_in | ~np.asarray(states.any(axis=0))
    return SignalChanges(signal=name, t_ns=t_ns[told], available=all_in[told])


def _state_at(change: SignalChanges, t_ns: Int64Array) -> list[bool]:
    at = np.searchsorted(change.t_ns, t_ns, side="right") - 1
    return [bool(change.available[k]) if k >= 0 else True for k in at.tolist()]


def _spells(code: FaultCode) -> Iterable[SignalChanges]:
    """Give an open-circuit code as a sign: gone while it stands."""
    if code.kind is not CodeKind.SPN_FMI or not any(code.code.endswith(f"FMI {mode}") for mode in _OPEN_CIRCUIT):
        return
    spans = [(raised, cleared) for raised, cleared in code.active_spans if cleared is None or cleared > raised]
    if not spans:
        return
    times, states = [spans[0][0] - 1], [True]
    for raised, cleared in spans:
        times.append(raised)
        states.append(False)
        if cleared is not None:
            times.append(cleared)
            states.append(True)
    yield SignalChanges(
        signal=f"{code.controller} {code.code}", t_ns=np.array(times, np.int64), available=np.array(states, np.bool_)
    )
