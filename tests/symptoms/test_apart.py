"""Two complaints at once: a code and the dropout of one cause are one fault, two that come and go apart are two."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.symptoms.apart import apart_from, come_apart
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS as S


def shown(name: str, *at_s: float, lasts_s: float = 4.0, kind: SymptomKind = SymptomKind.CODE) -> Symptom:
    return Symptom(
        kind=kind,
        name=name,
        text="",
        controller=name.partition(":")[2],
        spans=tuple(
            ShowingSpan(
                since_ns=round(t * S),
                not_yet_ns=round((t - 0.8) * S),
                still_ns=round((t + lasts_s - 0.5) * S),
                gone_ns=round((t + lasts_s) * S),
            )
            for t in at_s
        ),
        observable=((0, 900 * S),),
        latency_ns=3 * S,
    )


DROPS = shown("dropout:hopper", 100.0, 300.0, 500.0, kind=SymptomKind.DROPOUT)


@pytest.mark.parametrize("lag_s", [-2.5, 0.0, 2.9, 9.0])
def test_a_code_with_each_dropout_is_the_same_fault(lag_s: float) -> None:
    """Before it by its latency, while it lasts, or when the controller is back and tells of it."""
    code = shown("code:hopper", *[t + lag_s for t in (100.0, 300.0, 500.0)])
    assert apart_from([DROPS], [DROPS, code], []) == ()


def test_a_code_that_comes_by_itself_has_its_own_fault() -> None:
    code = shown("code:boom", 40.0, 200.0, 404.0, 600.0)
    assert apart_from([DROPS], [DROPS, code], []) == (code,)
    assert apart_from([code], [DROPS, code], []) == (DROPS,)


def test_once_by_itself_is_not_enough_and_mostly_together_is_together() -> None:
    assert apart_from([DROPS], [DROPS, shown("code:boom", 40.0)], []) == ()
    assert come_apart(shown("code:boom", 101.0, 301.0, 501.0, 700.0, 800.0), [DROPS], []) == 0


def test_what_came_while_the_complaint_could_not_be_seen_tells_nothing() -> None:
    blind = replace(DROPS, observable=((0, 350 * S), (450 * S, 900 * S)))
    code = shown("code:boom", 40.0, 360.0, 400.0, 440.0)
    assert come_apart(code, [blind], []) == 1
    assert come_apart(code, [DROPS], []) == 4


def test_the_code_of_a_plug_that_was_pulled_is_no_second_fault() -> None:
    code = shown("code:boom", 41.0, 201.0)
    pulled = [
        Action(n=n, time_ns=t * S, uncertainty_ns=S, kind=ActionKind.UNPLUG, part="harness-B")
        for n, t in enumerate((40, 200), start=1)
    ]
    assert come_apart(code, [DROPS], []) == 2
    assert come_apart(code, [DROPS], pulled) == 0


def test_a_code_about_another_s_silence_and_a_bus_are_no_second_fault() -> None:
    missed = replace(shown("code:display", 40.0, 200.0), points_at=("segment", "hopper"))
    noise = shown("bus:errors:can0", 40.0, 200.0, kind=SymptomKind.BUS)
    assert apart_from([DROPS], [DROPS, missed, noise], []) == ()


def test_where_nothing_shows_nothing_is_apart() -> None:
    assert apart_from([], [shown("code:boom", 40.0, 200.0)], []) == ()


def test_twice_is_enough_and_half_is_not_rather_apart() -> None:
    assert apart_from([DROPS], [DROPS, shown("code:boom", 40.0, 200.0)], []) != ()
    assert come_apart(shown("code:boom", 40.0, 200.0, 101.0, 301.0), [DROPS], []) == 0


def test_the_slower_of_two_says_how_far_apart_one_cause_can_show() -> None:
    """A lamp that follows by 8 s, before a code that follows by 3."""
    early = shown("code:boom", 93.0, 293.0, 493.0)
    assert come_apart(early, [DROPS], []) == 3
    assert come_apart(early, [replace(DROPS, latency_ns=8 * S)], []) == 0
    assert come_apart(replace(early, latency_ns=8 * S), [DROPS], []) == 0


def test_what_shows_can_be_seen_though_nothing_else_can_be_told() -> None:
    """A dropout shows while its controller says nothing; what comes then comes with it."""
    away = replace(DROPS, observable=((0, 99 * S), (105 * S, 900 * S)))
    inside = shown("code:boom", 102.0, 40.0, 200.0)
    assert come_apart(inside, [away], []) == 2
    assert come_apart(replace(inside, spans=inside.spans[:1]), [away], []) == 0
