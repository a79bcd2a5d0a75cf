"""Fault codes as symptoms: SAE J1939-73 (DM1), CiA 301 (EMCY), a real tractor; when it showed and when it could be
seen."""

from collections.abc import Callable
from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.health.incident import RanOn
from busdoc.health.summary import Health
from busdoc.machine.machine import CodeHint, Machine
from busdoc.report.words.symptoms import showing_in_words
from busdoc.symptoms.looks import unseen_since
from busdoc.symptoms.of_codes import code_symptoms
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.decode.frame_text import block_of
from tests.truth.hopper_health import hopper

NS = 10**9
NONE = "00FF00000000FFFF"
LOW_SUPPLY = "04FFA8000403FFFF"  # SPN 168 FMI 4
TRACTOR = Path(__file__).parents[1] / "data" / "real" / "tractor-active-dm1.log.gz"


def each_second(payload: str, first: int, last: int) -> str:
    return "\n".join(f"{n}.0 18FECA31#{payload}" for n in range(first, last + 1)) + "\n"


def symptoms_of(
    said: str, health: Health, machine: Machine | None = None, cut: Callable[[str], list[str]] = lambda text: [text]
) -> tuple[Symptom, ...]:
    watch = CodeWatch(names=lambda channel, address: "hopper", hints=() if machine is None else machine.codes)
    for piece in cut(said):
        watch.feed(block_of(piece))
    return code_symptoms(watch.codes(health.until_ns), health, machine or Machine())


def shown(symptom: Symptom) -> list[tuple[float, float | None, float | None]]:
    """(since, not yet, gone) in s."""

    def s(t_ns: int | None) -> float | None:
        return None if t_ns is None else t_ns / NS

    return [(span.since_ns / NS, s(span.not_yet_ns), s(span.gone_ns)) for span in symptom.spans]


def test_a_code_shows_from_the_message_that_lists_it_and_came_since_the_one_before() -> None:
    """J1939-73 5.7.1: active codes once a second; so the edge is known to within a second."""
    said = each_second(NONE, 0, 4) + each_second(LOW_SUPPLY, 5, 9) + each_second(NONE, 10, 14)
    (one,) = symptoms_of(said, hopper(14.0))
    assert (one.kind, one.controller, one.codes) == (SymptomKind.CODE, "hopper", ("SPN 168 FMI 4",))
    assert shown(one) == [(5.0, 4.0, 10.0)]
    assert one.spans[0].still_ns == 9 * NS
    assert not one.showing


def test_a_code_that_is_there_in_the_first_message_was_not_seen_to_come() -> None:
    (one,) = symptoms_of(each_second(LOW_SUPPLY, 0, 5), hopper(5.5))
    assert shown(one) == [(0.0, None, None)]
    assert one.showing
    assert one.n_came == 0


def test_what_still_shows_after_a_power_cycle_came_anew_with_the_start() -> None:
    """No code can show while its controller is off: what is there in the first message since came in between."""
    said = each_second(NONE, 0, 4) + each_second(LOW_SUPPLY, 5, 9) + each_second(LOW_SUPPLY, 13, 17)
    (one,) = symptoms_of(said, hopper(17.5, (9.5, 12.2)))
    assert shown(one) == [(5.0, 4.0, 9.5), (13.0, 12.2, None)]
    # between the start and the first message nobody could say that it was not there
    assert one.observable == ((0, 9 * NS), (13 * NS, 17 * NS))


def test_a_code_that_a_start_clears_is_gone_and_not_shown_again() -> None:
    said = each_second(LOW_SUPPLY, 0, 4) + each_second(NONE, 9, 12)
    (one,) = symptoms_of(said, hopper(12.5, (4.5, 8.4)))
    assert shown(one) == [(0.0, None, 4.5)]


def test_a_controller_that_was_only_unheard_has_not_begun_anew() -> None:
    said = each_second(NONE, 0, 1) + each_second(LOW_SUPPLY, 2, 5) + each_second(LOW_SUPPLY, 9, 12)
    (one,) = symptoms_of(said, hopper(12.5, (5.5, 8.4), ran_on=RanOn.KEPT_RUNNING))
    assert shown(one) == [(2.0, 1.0, None)]
    assert [(round(a / NS), round(b / NS)) for a, b in one.observable] == [(0, 6), (8, 12)]


def test_a_sender_that_is_silent_without_codes_can_be_seen_whenever_it_is_on_the_bus() -> None:
    """The older text of J1939-73: DM1 only while a fault is active. Its silence is no fault, and no blindness."""
    (one,) = symptoms_of(each_second(LOW_SUPPLY, 5, 9), hopper(30.0, (20.0, 24.0)))
    assert one.observable == ((0, 20 * NS), (24 * NS, 30 * NS))


def test_codes_that_come_and_go_together_are_one_symptom() -> None:
    both = "04FFA8000401A7000401"  # SPN 168 FMI 4 and SPN 167 FMI 4, too long for one frame: by transport
    said = each_second(NONE, 0, 4)
    for n in range(5, 8):
        said += f"{n}.0 1CECFF31#200A0002FFCAFE00\n{n}.1 1CEBFF31#01{both[:14]}\n{n}.2 1CEBFF31#02{both[14:]}FFFFFFFF\n"
    said += each_second(NONE, 8, 10)
    (one,) = symptoms_of(said, hopper(10.5))
    assert sorted(one.codes) == ["SPN 167 FMI 4", "SPN 168 FMI 4"]


def test_previously_active_codes_are_history() -> None:
    """DM2 (J1939-73 5.7.2) lists what was active once."""
    said = each_second(NONE, 0, 4) + f"2.5 18FECB31#{LOW_SUPPLY}\n"
    assert symptoms_of(said, hopper(5.0)) == ()


def test_an_emergency_shows_until_its_reset() -> None:
    """CiA 301 7.2.7: sent once as the error comes, and error code 0000 once none is left."""
    said = "0.0 705#05\n1.0 705#05\n2.5 085#2031050000000000\n6.0 085#0000000000000000\n7.0 705#05\n"
    (one,) = symptoms_of(said, hopper(8.0))
    assert one.codes == ("EMCY 0x3120",)
    assert shown(one) == [(2.5, 2.5, 6.0)]
    assert one.observable == ((0, 8 * NS),)


@pytest.mark.parametrize("latches", [True, False])
def test_the_map_says_of_a_code_whether_it_latches(*, latches: bool) -> None:
    machine = Machine(codes=(CodeHint(controller="hopper", spn=168, latches=latches),))
    (one,) = symptoms_of(each_second(LOW_SUPPLY, 0, 3), hopper(3.5), machine)
    assert one.latches is latches
    assert one.points_at == ("feed",)  # a line that only says that it latches leaves the published pointer alone


def test_where_the_blocks_are_cut_changes_nothing() -> None:
    said = each_second(NONE, 0, 4) + each_second(LOW_SUPPLY, 5, 9) + each_second(LOW_SUPPLY, 15, 19)
    health = hopper(19.5, (9.5, 14.2))

    def line_by_line(text: str) -> list[str]:
        return [f"{line}\n" for line in text.splitlines()]

    assert symptoms_of(said, health, cut=line_by_line) == symptoms_of(said, health)


def test_a_real_tractor_shows_its_code_while_its_sender_is_awake() -> None:
    """The sender broadcasts 524020/31 from 0.7 s after its start, dies with the crank at 4.9 s, and says it again."""
    symptoms = postmortem([TRACTOR]).symptoms
    (one,) = [symptom for symptom in symptoms if symptom.kind is SymptomKind.CODE]
    assert (one.controller, one.codes) == ("address 0x03", ("SPN 524020 FMI 31",))
    assert [(round(a, 1), None if b is None else round(b, 1)) for a, b, _ in shown(one)] == [(2.1, 1.4), (6.5, 5.5)]
    assert not one.showing  # its sender is off the bus at the end: nobody can say
    assert one.observable[-1][1] / NS == pytest.approx(9.8, abs=0.1)


def test_a_code_whose_controller_fell_silent_before_it_could_say_so_again_could_not_be_seen_since() -> None:
    """A recorded tractor is switched off 0.7 s after a DM1 that says it (tests/data/real/NOTICE)."""
    result = postmortem([TRACTOR])
    one, until_ns = result.complaint, result.health.until_ns
    assert one is not None
    assert unseen_since(one, until_ns)
    assert not unseen_since(one, one.observable[-1][1] + 1)  # it was heard up to then
    said = showing_in_words(one, until_ns=until_ns, start_ns=result.health.start_ns, epoch=False)
    assert said == "came twice, and could not be seen since"
