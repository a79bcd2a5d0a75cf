"""What one controller did after one power-up: first frame, identity, streams in step, restarts, codes."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from busdoc.decode.protocols.sign import SignKind
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import ControllerHealth, StreamKey
from busdoc.resync_check.heard import Heard
from busdoc.resync_check.records import ControllerReturn, Expectation, PowerUp, PowerUpReturn
from busdoc.resync_check.restarts import fell_for_good, restarts_of
from busdoc.resync_check.streams import follow_stream, is_control, runs_since, wanted_streams, without_boot_ups
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

__all__ = ["SETTLING_NS", "expected_name_of", "follow_return", "moved_to", "symptoms_of_all", "with_moved"]

SETTLING_NS = 10 * SECOND_NS
"""How long after it was in step no restart and no code may come (common practice)."""


def with_moved(heard: Heard, power_up: PowerUp, addresses: Iterable[tuple[int | None, int]]) -> PowerUp:
    """Count a power-up from the first frame of controllers under their new (channel, address), too, if earlier."""
    if power_up.zero_ns is None or power_up.off_ns is None:
        return power_up
    first_ns = power_up.zero_ns
    for channel, address in addresses:
        for key, arrivals in heard.arrivals.items():
            if key.extended and key.id & 0xFF == address and channel in (None, key.channel):
                found = (int(run[0]) for run in arrivals.runs if len(run) and int(run[0]) > power_up.off_ns)
                first_ns = min(first_ns, next(found, first_ns))
    time_ns = first_ns if power_up.time_ns == power_up.zero_ns else power_up.time_ns
    return replace(power_up, time_ns=time_ns, zero_ns=first_ns)


def moved_to(heard: Heard, power_up: PowerUp, one: ControllerHealth, can_name: int | None) -> int | None:
    """Give the address that a NAME claimed after a power-up, when it is not the controller's own."""
    own = one.identity.address
    if own is None or can_name is None or power_up.zero_ns is None:
        return None
    from_ns = power_up.zero_ns if power_up.off_ns is None else power_up.off_ns + 1
    claimed = [
        sign.address
        for sign in heard.signs
        if sign.kind is SignKind.ADDRESS_CLAIM
        and sign.can_name == can_name
        and from_ns <= sign.t_ns < power_up.until_ns
        and (one.channel is None or sign.channel == one.channel)
    ]
    return claimed[-1] if claimed and claimed[-1] != own else None


def follow_return(heard: Heard, power_up: PowerUp, one: ControllerHealth, expectation: Expectation) -> ControllerReturn:
    """Follow one controller through one power-up; the verdict is left to `busdoc.resync_check.verdict`."""
    # what comes after the machine was switched off is another story, also of one that was heard again
    gone = heard.gone_ns(power_up)
    gone_ns = gone.get(one.name, max(gone.values(), default=None))
    if gone_ns is not None and power_up.zero_ns is not None and power_up.zero_ns <= gone_ns < power_up.until_ns:
        power_up = replace(power_up, until_ns=gone_ns + 1)
    zero_ns = power_up.until_ns if power_up.zero_ns is None else power_up.zero_ns
    expected_name = expected_name_of(heard, power_up, one, expectation)
    moved = moved_to(heard, power_up, one, expected_name)
    address = one.identity.address if moved is None else moved
    own = _own_streams(heard, one, moved)
    signs = [
        sign
        for sign in heard.signs
        if zero_ns <= sign.t_ns < power_up.until_ns
        and sign.kind is not SignKind.HEARTBEAT_LAST
        and (one.channel is None or sign.channel == one.channel)
        and (
            (sign.address is not None and sign.address == address)
            or (sign.node_id is not None and sign.node_id == one.identity.node_id)
        )
    ]
    boots_ns = np.array([sign.t_ns for sign in signs if sign.kind is SignKind.BOOT_UP], np.int64)
    runs = {
        key: without_boot_ups(
            runs_since(heard.arrivals[key], zero_ns, power_up.until_ns), boots_ns if is_control(key) else None
        )
        for key in own
    }
    firsts = [int(found[0][0]) for found in runs.values() if found]
    first_ns = min([*firsts, *(sign.t_ns for sign in signs)], default=None)
    wanted = wanted_streams(one, expectation, moved)
    restarts = () if first_ns is None else restarts_of(heard, one, runs, wanted, first_ns, power_up)
    from_ns = restarts[-1] if restarts else zero_ns
    streams = tuple(
        follow_stream(key, period_ns, deadline_ns, runs.get(key, []), heard.arrivals.get(key), from_ns, power_up)
        for key, period_ns, deadline_ns in wanted
    )
    steady = [stream.steady_ns for stream in streams if stream.steady_ns is not None]
    steady_ns = max(steady) if streams and len(steady) == len(streams) else None
    if not streams and first_ns is not None:
        steady_ns = first_ns  # nothing cyclic is expected of it
    settled_ns = min(power_up.until_ns, (steady_ns or first_ns or zero_ns) + SETTLING_NS)
    restarts = tuple(t_ns for t_ns in restarts if t_ns <= settled_ns)
    claims = [sign for sign in signs if sign.kind is SignKind.ADDRESS_CLAIM]
    codes, passed = ((), ()) if first_ns is None else _codes(heard.codes, one.name, first_ns, steady_ns, settled_ns)
    return ControllerReturn(
        name=one.name,
        first_ns=first_ns,
        identified_ns=signs[0].t_ns if signs else None,
        steady_ns=steady_ns,
        streams=streams,
        restarts_ns=restarts,
        fell_again=first_ns is not None
        and any(
            fell_for_good(loss, first_ns, settled_ns, power_up) for loss in heard.losses if loss.controller == one.name
        ),
        codes=codes,
        passed_codes=passed,
        symptoms=()
        if first_ns is None
        else tuple(
            _symptom_words(symptom)
            for symptom in heard.symptoms
            if symptom.controller == one.name and _stands(_showings(symptom, first_ns), first_ns, steady_ns, settled_ns)
        ),
        can_name=claims[-1].can_name if claims else None,
        expected_name=expected_name,
        moved_to=moved,
        limit_ns=expectation.limit_ns,
        usual_ns=expectation.usual_ns,
        starts_after=expectation.starts_after,
        cranked_ns=None if first_ns is None else heard.cranked_ns(one.name, zero_ns, first_ns, steady_ns, power_up),
    )


def expected_name_of(heard: Heard, power_up: PowerUp, one: ControllerHealth, expectation: Expectation) -> int | None:
    """Give the NAME that the map knows, else the one that the controller claimed last before the power-up."""
    if expectation.identity.can_name is not None:
        return expectation.identity.can_name
    before_ns = power_up.zero_ns if power_up.off_ns is None else power_up.off_ns + 1
    if before_ns is None:
        return None
    claimed = [
        sign.can_name
        for sign in heard.signs
        if sign.kind is SignKind.ADDRESS_CLAIM
        and sign.t_ns < before_ns
        and sign.address == one.identity.address
        and sign.channel == one.channel
    ]
    return claimed[-1] if claimed and one.identity.address is not None else None


def _own_streams(heard: Heard, one: ControllerHealth, moved: int | None) -> list[StreamKey]:
    own = [stream.key for stream in one.streams if stream.key in heard.arrivals]
    if moved is not None:
        own += [
            key
            for key in heard.arrivals
            if key.extended and key.id & 0xFF == moved and (one.channel is None or key.channel == one.channel)
        ]
    return own


def _codes(
    codes: Sequence[FaultCode], name: str, first_ns: int, steady_ns: int | None, settled_ns: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Name the codes that stand against a controller, and those that came while it started and were soon gone.

    A controller that tests itself, or tries again after a fault that it remembers, says so while it starts and takes it
    back. One that stood before the power-up stands on paper until the controller says otherwise, which it can do only
    after it has started.
    """
    stood, passed = [], []
    for code in codes:
        if code.controller != name or not code.occurrences:
            continue
        if _stands(code.active_spans, first_ns, steady_ns, settled_ns):
            stood.append(code.code)
        elif any(first_ns <= raised <= settled_ns for raised, _ in code.active_spans):
            passed.append(code.code)
    return tuple(stood), tuple(passed)


def _stands(spans: Iterable[tuple[int, int | None]], first_ns: int, steady_ns: int | None, settled_ns: int) -> bool:
    """Whether something showed after its controller was in step, or still at the end of the settling time.

    Parameters
    ----------
    spans : (from, to) in which it showed, ns; None: it still does
    """
    until_ns = settled_ns if steady_ns is None else min(steady_ns, settled_ns)
    return any(
        raised <= settled_ns
        and (cleared is None or cleared > first_ns or raised >= first_ns)
        and (raised > until_ns or cleared is None or cleared > settled_ns)
        for raised, cleared in spans
    )


def _showings(symptom: Symptom, first_ns: int) -> list[tuple[int, int | None]]:
    """Give (from, to) in which it showed; what came since and only cannot be seen any more still does."""
    found: list[tuple[int, int | None]] = []
    for span in symptom.spans:
        gone_ns = span.gone_ns
        if gone_ns is not None and span.since_ns >= first_ns:
            again_ns = next((from_ns for from_ns, to_ns in symptom.observable if to_ns > gone_ns), None)
            gone_ns = None if again_ns is None else max(gone_ns, again_ns)
        found.append((span.since_ns, gone_ns))
    return found


def _symptom_words(symptom: Symptom) -> str:
    """Name a symptom, with what it means where its name does not say it."""
    return symptom.name if symptom.name.startswith(symptom.text) else f"{symptom.name} ({symptom.text})"


def symptoms_of_all(heard: Heard, found: PowerUpReturn) -> tuple[str, ...]:
    """Name the symptoms of nobody among those who came back that show when all had settled, or came after it."""
    power_up, own = found.power_up, {one.name for one in found.controllers}
    if power_up.zero_ns is None or power_up.feed is not None:
        return ()
    steady = [one.steady_ns for one in found.controllers if one.steady_ns is not None]
    steady_ns = max(steady, default=None)
    settled_ns = min(power_up.until_ns, (steady_ns or power_up.zero_ns) + SETTLING_NS)
    of_others = [one for one in heard.symptoms if one.controller not in own]
    zero_ns = power_up.zero_ns
    return tuple(
        _symptom_words(one) for one in of_others if _stands(_showings(one, zero_ns), zero_ns, steady_ns, settled_ns)
    )
