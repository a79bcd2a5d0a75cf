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
