"""What the showings of a symptom have in common: how often they come, and what goes before them or with them."""

import numpy as np
import pytest

from busdoc.health.summary import Health
from busdoc.intermittent.dropouts import Dropouts
from busdoc.intermittent.intermittent import Evidence, Intermittent, look_into_symptom
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at
from busdoc.isolation.verdict import Because
from busdoc.machine.machine import Machine
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS as S

UNTIL_S = 3600
BEGAN_S = (310.0, 700.0, 905.0, 1490.0, 1800.0, 2333.0, 2810.0, 3200.0)
HEALTH = Health(start_ns=0, until_ns=UNTIL_S * S, frames=1, error_frames=0, controllers=(), incidents=(), gaps=())


def showing(at_s: float, *, look_s: float = 0.8, lasts_s: float = 5.0) -> ShowingSpan:
    """Seen first in a broadcast, and not in the one before."""
    return ShowingSpan(
        since_ns=round(at_s * S),
        not_yet_ns=round((at_s - look_s) * S),
        still_ns=round((at_s + lasts_s - 1.0) * S),
        gone_ns=round((at_s + lasts_s) * S),
    )


def code(began_s: tuple[float, ...] = BEGAN_S) -> Symptom:
    return Symptom(
        kind=SymptomKind.CODE,
        name="code:hopper:SPN 3509 FMI 4",
        text="sensor supply",
        controller="hopper",
        spans=tuple(showing(t) for t in began_s),
        observable=((0, UNTIL_S * S),),
        latency_ns=3 * S,
        codes=("SPN 3509 FMI 4",),
    )


def kind(
    name: str, at_s: list[float], source: EventSource = EventSource.SIGNAL, signal: str | None = None
) -> EventKind:
    return events_at(name, source, np.array([round(t * S) for t in at_s], np.int64), controller="boom", signal=signal)


def looked(symptom: Symptom, *kinds: EventKind, answers: tuple[tuple[int, Because], ...] = ()) -> Intermittent | None:
    def gather(sets: object) -> Evidence:
        assert isinstance(sets, list)
        assert all(isinstance(one, Dropouts) for one in sets)
        return Evidence(kinds=kinds)

    return look_into_symptom(symptom, answers, HEALTH, Machine(), (), gather=gather)


BY_CHANCE = [float(t) for t in np.random.default_rng(3).uniform(0, UNTIL_S, 40)]


def test_an_event_before_the_showings_is_found_and_one_by_chance_is_not() -> None:
    found = looked(code(), kind("Boom.Up became 1", [t - 1.6 for t in BEGAN_S]), kind("Lamp.On became 1", BY_CHANCE))
    assert found is not None
    assert (found.symptom, found.dropouts, found.groups) == ("code:hopper:SPN 3509 FMI 4", (), ())
    assert found.came_ns == tuple(round(t * S) for t in BEGAN_S)
    (finding,) = found.findings
    assert finding.name == "Boom.Up became 1"
    assert finding.words.startswith('8 of 8 showings came within 1 s after the event "Boom.Up became 1"')
    assert "A showing came after 8 of 8 such events" in finding.words
    assert "without a showing" in found.advice[-1].words
    # eight in an hour less what they lasted themselves, with what follows each: exact interval by Garwood (1936),
    # Biometrika 28, 437-442: 3.45 to 15.76 for eight counts
    (rate,) = found.rates
    watched_h = (UNTIL_S - 8 * (0.8 + 5.0 + 3.0)) / 3600.0
    assert rate.watched_s / 3600.0 == pytest.approx(watched_h)
    assert (rate.per_hour_low, rate.per_hour_high) == pytest.approx((3.4538 / watched_h, 15.7632 / watched_h), rel=1e-4)
    assert rate.outage.median_s == pytest.approx(5.0)


def test_what_comes_at_the_same_moment_is_told_as_that() -> None:
    found = looked(code(), kind("Status.State became FAULT", [t + 0.2 for t in BEGAN_S]))
    assert found is not None
    assert found.findings == ()
    (along,) = found.along
    assert (along.name, along.n_preceded) == ("Status.State became FAULT", 8)
    assert "may be an answer to the fault" in along.words


def test_a_symptom_is_not_held_against_itself() -> None:
    symptom = code()
    own = kind("hopper raised SPN 3509 FMI 4", [t - 0.9 for t in BEGAN_S], EventSource.CODE)
    another = kind("fan raised SPN 100 FMI 1", [t - 0.9 for t in BEGAN_S], EventSource.CODE)
    found = looked(symptom, own, another)
    assert found is not None
    assert [one.name for one in found.antecedents] == ["fan raised SPN 100 FMI 1"]


def test_fewer_than_three_that_no_action_explains_are_left_alone() -> None:
    assert looked(code(BEGAN_S[:2])) is None
    explained = tuple(
        (round(t * S), Because(incident=0, action=n, probability=0.9, spontaneous=0.1, expected=False, lag_ns=S))
        for n, t in enumerate(BEGAN_S[:6], start=1)
    )
    assert looked(code(), answers=explained) is None
    assert looked(code(), answers=explained[:5]) is not None


def test_what_could_not_be_seen_was_not_watched() -> None:
    symptom = code(BEGAN_S[4:])
    found = looked(
        Symptom(
            kind=symptom.kind,
            name=symptom.name,
            text="",
            controller="hopper",
            spans=symptom.spans,
            observable=((1600 * S, UNTIL_S * S),),
            latency_ns=3 * S,
        )
    )
    assert found is not None
    assert found.rates[0].watched_s == pytest.approx(2000.0 - 4 * 8.8)
