"""What many dropouts have in common, as the one conclusion lets it be said.

Who falls together is evidence, which the posterior has already; once that tells parts apart, a second verdict would
only contradict it. Takes the finding and the conclusion; gives the same finding with the words and the advice that
belong to its state.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from busdoc.intermittent.advice import Advice, AdviceKind
from busdoc.intermittent.groups import Group, group_words
from busdoc.intermittent.groups_evidence import CauseKind
from busdoc.intermittent.intermittent import Intermittent
from busdoc.intermittent.rate_shape import Rate
from busdoc.isolation.conclusion import Conclusion, State
from busdoc.isolation.verdict import ELSEWHERE, SWITCHED, Suspect
from busdoc.machine.machine import Machine, PartKind
from busdoc.times import SECOND_NS
from busdoc.words.counting import listed
from busdoc.words.duration import round_duration
from busdoc.words.sentence import capital

__all__ = ["in_view_of"]

_OPEN = (State.UNEXPLAINED, State.NARROWED, State.CAME_BACK)
"""States in which what goes before dropouts may still tell something."""
_OFF_THE_MAP = (CauseKind.CONTROLLER, CauseKind.SUPPLY, CauseKind.WIRING, CauseKind.BUS, CauseKind.CHANCE)


def in_view_of(
    found: Intermittent, conclusion: Conclusion, machine: Machine, cleared: Sequence[str] = ()
) -> Intermittent:
    """Say of a finding what the conclusion leaves to say.

    Parameters
    ----------
    found : as it was worked out
    conclusion : of the same record
    machine : the map, possibly empty
    cleared : parts that the verdict calls clear
    """
    state = conclusion.state
    groups = tuple(_group(one, state, cleared) for one in found.groups)
    rates = tuple(_rate(one, conclusion) for one in found.rates)
    advice = tuple(_advice(found, conclusion, machine))
    findings = found.findings if state in _OPEN else ()
    return replace(found, groups=groups, rates=rates, advice=advice, findings=findings, precursors_told=state in _OPEN)


def _group(group: Group, state: State, cleared: Sequence[str]) -> Group:
    first = group.likeliest
    told = state is State.UNEXPLAINED and first.kind in _OFF_THE_MAP and first.part not in cleared
    return replace(group, told=told, words=group_words(group, told=told))


def _rate(rate: Rate, conclusion: Conclusion) -> Rate:
    if conclusion.to_prove_ns is None:
        return rate
    return replace(rate, needed=replace(rate.needed, quiet_to_prove_s=conclusion.to_prove_ns / SECOND_NS))


def _advice(found: Intermittent, conclusion: Conclusion, machine: Machine) -> Iterator[Advice]:
    state = conclusion.state
    if state is State.UNEXPLAINED:
        yield from (one for one in found.advice if one.kind is not AdviceKind.WATCH)
    elif state in _OPEN:
        if found.findings:
            yield from (one for one in found.advice if one.kind is AdviceKind.RECORD)
        yield from _at_the_suspects((*conclusion.named, *conclusion.suspects), machine)
    if conclusion.to_prove_ns is not None and state is not State.PROVED:
        needed = round_duration(conclusion.to_prove_ns)
        yield Advice(
            kind=AdviceKind.WATCH,
            words=f"After a repair, {needed} of quiet under the same work prove it with 95 %.",
            hours=conclusion.to_prove_ns / SECOND_NS / 3600.0,
        )


def _at_the_suspects(suspects: Sequence[Suspect], machine: Machine) -> Iterator[Advice]:
    """Say where the meter and the hands go first, in the order of the suspects; limits are common practice."""
    parts = [one.part for one in suspects if one.part not in (ELSEWHERE, SWITCHED)][:3]
    if not parts:
        return
    first = parts[0]
    kind = machine.parts[first].kind if first in machine.parts else None
    if kind is PartKind.FEED:
        words = (
            f"clamp the meter (minimum hold) on {first}, under load: the supply wire may drop 0.2 V, a switch 0.3 V, "
            "the ground side 0.1 V (common practice); more is a bad joint."
        )
    elif kind is PartKind.SEGMENT:
        words = (
            f"with power off, measure CAN high to CAN low at the far end of {first} while somebody moves the wiring: "
            "it must stay near 60 ohm (common practice)."
        )
    elif kind is None:
        words = f"look at {first} itself: its plug, its supply and ground pins, under load."
    else:
        words = f"look at {first}: its plug, its pins, its wires, in this order."
    yield Advice(kind=AdviceKind.MEASURE, words=capital(words), about=(first,))
    if kind not in (PartKind.FEED, PartKind.SEGMENT):
        in_turn = ", one at a time," if len(parts) > 1 else ""
        yield Advice(
            kind=AdviceKind.WIGGLE,
            words=f"Wiggle {listed(parts)}{in_turn} while watching the bus.",
            about=tuple(parts),
        )
