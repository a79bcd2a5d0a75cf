"""Latched or free, learnt from how the showings ended: many controllers hold a hardware fault until their power is
cycled (common practice)."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.symptoms.latching import latching_in_words, probability_latched
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind

NS = 10**9


def symptom(*spans: tuple[float, float | None], latches: bool | None = None) -> Symptom:
    return Symptom(
        kind=SymptomKind.CODE,
        name="code:hopper:SPN 168 FMI 4",
        text="",
        controller="hopper",
        spans=tuple(
            ShowingSpan(
                since_ns=round(a * NS),
                not_yet_ns=round((a - 1.0) * NS),
                still_ns=round(((a if b is None else b) - 0.5) * NS),
                gone_ns=None if b is None else round(b * NS),
            )
            for a, b in spans
        ),
        observable=((0, 200 * NS),),
        latency_ns=3 * NS,
        latches=latches,
    )


def act(at_s: float, kind: ActionKind, part: str | None = None) -> Action:
    return Action(n=1, time_ns=round(at_s * NS), uncertainty_ns=NS, kind=kind, part=part)


def seen_by_looks(spans: tuple[tuple[float, float | None], ...], *looks: tuple[float, bool]) -> Symptom:
    found = tuple((round(t * NS), shows) for t, shows in looks)
    return replace(symptom(*spans), kind=SymptomKind.SEEN, errs=0.03, looks=found)


def test_a_single_look_that_may_be_wrong_hardly_says_that_it_let_go() -> None:
    """One look in thirty errs (common practice); two in a row, one in a thousand."""
    spans = ((10.0, 30.0), (35.0, None))
    seen, gone, again = (10.0, True), (30.0, False), (35.0, True)
    once = seen_by_looks(spans, seen, (20.0, True), gone, again)
    twice = seen_by_looks(spans, seen, (20.0, True), gone, (32.0, False), again)
    stepped = [act(33.0, ActionKind.PLUG, "harness-A")]
    assert probability_latched(once, []) > 0.15
    assert probability_latched(twice, []) < 0.05
    assert probability_latched(once, stepped) < 0.05  # something was done that may have brought it back
    passing = seen_by_looks(((10.0, 20.0),), (5.0, False), seen, (20.0, False), (30.0, False))
    assert probability_latched(passing, []) > 0.15  # the one look that saw it may be the wrong one


def test_one_that_was_seen_gone_with_nobody_near_the_power_is_free() -> None:
    assert probability_latched(symptom((10.0, 30.0)), []) < 0.05


def test_one_that_outlasts_an_unplugging_and_ends_with_the_power_latches() -> None:
    done = [act(20.0, ActionKind.UNPLUG, "harness-A"), act(40.0, ActionKind.POWER_CYCLE)]
    once = probability_latched(symptom((10.0, 40.0)), done)
    assert once > 0.6
    again = [*done, act(80.0, ActionKind.UNPLUG, "harness-B"), act(100.0, ActionKind.POWER_CYCLE)]
    assert probability_latched(symptom((10.0, 40.0), (60.0, 100.0)), again) > once


def test_what_the_power_ended_at_once_says_little() -> None:
    assert 0.45 < probability_latched(symptom((10.0, 40.0)), [act(40.0, ActionKind.POWER_CYCLE)]) < 0.7


@pytest.mark.parametrize(("latches", "most"), [(True, 1.0), (False, 0.1)])
def test_the_map_is_believed_and_the_record_may_contradict_it(*, latches: bool, most: float) -> None:
    stated = probability_latched(symptom(latches=latches), [])
    assert stated == pytest.approx(0.97 if latches else 0.03)
    assert probability_latched(symptom((10.0, 30.0), (50.0, 60.0), latches=latches), []) < min(most, stated)


def test_it_is_said_in_words_where_it_is_known() -> None:
    def words(p_latches: float) -> str:
        from dataclasses import replace

        return latching_in_words(replace(symptom((1.0, 2.0)), p_latches=p_latches))

    assert words(0.95) == "stays until the power is cycled"
    assert words(0.5) == ""
    assert words(0.05) == "goes away by itself once its cause is gone"
