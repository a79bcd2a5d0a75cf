"""Which symptom is the complaint: asked for, or the one that stands out."""

from dataclasses import replace

import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.errors import InputError
from busdoc.symptoms.complaint import choose_complaint
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind

NS = 10**9


def symptom(code: str, *since_s: float, controller: str = "hopper", points_at: tuple[str, ...] = ()) -> Symptom:
    return Symptom(
        kind=SymptomKind.CODE,
        name=f"code:{controller}:{code}",
        text="",
        controller=controller,
        spans=tuple(
            ShowingSpan(
                since_ns=round(t * NS),
                not_yet_ns=round((t - 1) * NS),
                still_ns=round(t * NS),
                gone_ns=round((t + 1) * NS),
            )
            for t in since_s
        ),
        observable=((0, 200 * NS),),
        latency_ns=3 * NS,
        codes=(code,),
        points_at=points_at,
    )


SUPPLY = symptom("SPN 3509 FMI 4", 30.0, 60.0)
OPEN = symptom("SPN 100 FMI 5", 20.5, 40.5, 50.5)
OTHER = symptom("EMCY 0x3120", 70.0, controller="fan")
MISSING = symptom("SPN 2049 FMI 9", 10.0, 20.0, 30.0, 40.0, points_at=("segment", "hopper"))
DROPS = replace(symptom("", 5.0), kind=SymptomKind.DROPOUT, name="dropout:fan", codes=())
ALL = (DROPS, OPEN, SUPPLY, OTHER, MISSING)
UNPLUGGED = [
    Action(n=n, time_ns=t * NS, uncertainty_ns=NS, kind=ActionKind.UNPLUG, part="harness-B")
    for n, t in enumerate((20, 40, 50), start=1)
]


def test_the_one_that_came_most_often_stands_out() -> None:
    assert choose_complaint((OTHER, SUPPLY), []) is SUPPLY


def test_a_code_of_an_open_circuit_is_no_complaint() -> None:
    """Whoever pulls a plug raises a code (common practice)."""
    assert choose_complaint((OPEN, SUPPLY), UNPLUGGED) is SUPPLY
    assert choose_complaint((OPEN, SUPPLY), []) is OPEN


def test_a_code_about_somebody_else_s_silence_comes_last() -> None:
    assert choose_complaint((MISSING, SUPPLY), []) is SUPPLY
    assert choose_complaint((MISSING,), []) is MISSING


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("code:hopper:3509/4", SUPPLY),
        ("code:3509/4", SUPPLY),
        ("code:hopper:SPN 3509 FMI 4", SUPPLY),
        ("code:fan", OTHER),
        ("code:fan:0x3120", OTHER),
        ("code:hopper:100/5", OPEN),
        ("dropout", None),
    ],
)
def test_one_is_asked_for_by_name(asked: str, found: Symptom | None) -> None:
    assert choose_complaint(ALL, [], asked) is found


@pytest.mark.parametrize("asked", ["code:lift", "code:hopper:9999/1", "lamp"])
def test_what_never_showed_is_refused_with_what_did(asked: str) -> None:
    with pytest.raises(InputError, match="Seen here") as refused:
        choose_complaint(ALL, [], asked)
    assert "3509" in str(refused.value)


def test_nothing_but_dropouts_leaves_the_dropouts() -> None:
    assert choose_complaint((DROPS,), []) is None
