"""Symptoms of a bus itself: how they are asked for, when they show, and which branch brings them.

Error frames as Linux gives them (include/uapi/linux/can/error.h): class CAN_ERR_PROT 0x08, CAN_ERR_BUSOFF 0x40,
CAN_ERR_CRTL 0x04 with the state in the second byte (0x10 error passive, receiving; 0x40 active again),
CAN_ERR_RESTARTED 0x100.
"""

import math

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.case import Case
from busdoc.analysis.judgement import Weighed, observe, weigh
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameFlag
from busdoc.errors import InputError
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.report.words.symptoms import symptom_in_words
from busdoc.symptoms.of_bus import BusQuestion, BusSign, parse_bus
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.health.made_traffic import S, Sent, at, merged
from tests.health.sweeper import MAP, Sweeper

BRANCHES = "".join(
    f'\n[[part]]\nname = "{name}"\nkind = "harness"\ninto = "hopper"\n' for name in ("harness-A", "harness-B")
)


def error(t_s: float, kind: int = 0x08, *data: int) -> Sent:
    return at(kind, round(t_s * S), bytes([*data, *[0] * (8 - len(data))]), extended=False, flags=int(FrameFlag.ERROR))


def burst(from_s: float, to_s: float, per_s: int) -> list[Sent]:
    return [error(float(t)) for t in np.arange(from_s, to_s, 1.0 / per_s)]


def weighed(
    asked: str, *more: Sent, until_s: float = 60.0, actions: tuple[Action, ...] = (), text: str = MAP
) -> Weighed:
    channels = ChannelTable()
    channels.number("can0")
    machine = machine_from_text(text, "map") if text else Machine()
    watches = Watches(Case(machine=machine, channels=channels, asked=asked))
    watches.feed(merged(*Sweeper(until_s=until_s).sent(), *more))
    return weigh(machine, observe(watches, watches.close(), actions), actions, asked)


def complaint(asked: str, *more: Sent, text: str = MAP) -> Symptom:
    found = weighed(asked, *more, text=text).complaint
    assert found is not None
    assert found.kind is SymptomKind.BUS
    return found


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("bus", BusQuestion(sign=BusSign.ERRORS, channel=None, limit=None)),
        ("bus:errors:can1>20", BusQuestion(sign=BusSign.ERRORS, channel="can1", limit=20.0)),
        ("bus:errors > 0.5 /s", BusQuestion(sign=BusSign.ERRORS, channel=None, limit=0.5)),
        ("bus:off:0", BusQuestion(sign=BusSign.OFF, channel="0", limit=None)),
    ],
)
def test_what_is_asked_for(text: str, asked: BusQuestion) -> None:
    assert parse_bus(text) == asked


@pytest.mark.parametrize("text", ["bus:noise", "bus:errors > many", "bus:off > 3", "bus:errors:can0:x > y"])
def test_what_a_bus_does_not_have_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="bus"):
        parse_bus(text)


def test_seconds_with_many_error_frames_are_one_showing() -> None:
    found = complaint("bus:errors", *burst(20.0, 24.0, 40), *burst(25.0, 26.0, 40), error(40.0))
    assert (found.name, symptom_in_words(found)) == ("bus:errors:can0", "error frames on can0 (more than 5 a second)")
    (span,) = found.spans
    assert span.not_yet_ns is not None
    assert [span.since_ns, span.not_yet_ns] == pytest.approx([21 * S, 20 * S], abs=S // 5)
    assert span.gone_ns == pytest.approx(27 * S, abs=S // 5)
    assert found.observable[-1][1] > 59 * S


def test_what_is_usual_on_this_machine_is_no_symptom() -> None:
    noisy = burst(5.0, 55.0, 8)
    assert complaint("bus:errors", *noisy).spans
    usual = MAP.replace("bitrate = 250000", "bitrate = 250000\nusual_errors_per_min = 480")
    assert not complaint("bus:errors", *noisy, text=usual).spans
    assert complaint("bus:errors > 7", *noisy, text=usual).spans


def test_load_needs_a_bit_rate() -> None:
    found = complaint("bus:load > 1.5")
    # 40 frames a second of 29 bits with 8 bytes: 131 bits and up to 29 stuff bits each (ISO 11898-1), so 2.1 to 2.6 %
    assert found.showing
    assert not complaint("bus:load > 2.7").spans
    with pytest.raises(InputError, match="bit rate"):
        weighed("bus:load", text="")


def test_states_last_until_the_adapter_says_that_they_are_over() -> None:
    passive, active = error(10.0, 0x04, 0, 0x10), error(17.0, 0x04, 0, 0x40)
    (span,) = complaint("bus:passive", passive, error(14.0, 0x04, 0, 0x10), active).spans
    assert (span.since_ns, span.still_ns, span.gone_ns) == (10 * S, 14 * S, 17 * S)
    off, again = error(30.0, 0x40), error(30.4, 0x100)
    (span,) = complaint("bus:off", off, again).spans
    assert (span.since_ns, span.gone_ns) == (30 * S, round(30.4 * S))
    assert complaint("bus:off", off).showing
    assert not complaint("bus:off", passive).spans


def test_a_bus_that_was_not_heard_is_refused() -> None:
    with pytest.raises(InputError, match="can0"):
        weighed("bus:errors:can7")


def test_error_frames_alone_are_no_complaint_unless_asked_for() -> None:
    found = weighed("dropout", *burst(20.0, 24.0, 40))
    assert found.complaint is None
    assert not any(one.kind is SymptomKind.BUS for one in found.symptoms)


def test_the_branch_that_brings_the_error_frames_is_named() -> None:
    times: list[tuple[float, ActionKind, str]] = []
    noise: list[Sent] = burst(2.0, 40.0, 30)
    at_s = 40.0
    for _ in range(3):
        for part in ("harness-A", "harness-B"):
            times += [(at_s, ActionKind.UNPLUG, part), (at_s + 15.0, ActionKind.PLUG, part)]
            noise += burst(at_s, at_s + 15.0, 30) if part == "harness-B" else []
            noise += burst(at_s + 15.0, at_s + 30.0, 30)
            at_s += 30.0
    actions = tuple(
        Action(n=n, time_ns=round((t + 0.4) * S), uncertainty_ns=S // 2, kind=kind, part=part)
        for n, (t, kind, part) in enumerate(times, start=1)
    )
    found = weighed("bus:errors", *noise, until_s=at_s, actions=actions, text=MAP + BRANCHES)
    best = found.verdict.suspects[0]
    assert (best.part, best.probability > 0.9) == ("harness-A", True)
    assert math.isclose(sum(one.cleared for one in found.verdict.suspects if one.part == "harness-B"), 1)
