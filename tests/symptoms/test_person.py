"""What a person sees and writes down: looks, what lies between them, power, and a session without any bus."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.actions.journal import load_journal
from busdoc.actions.plugged import opening_state
from busdoc.analysis.case import Case
from busdoc.analysis.judgement import Observed, Weighed, weigh
from busdoc.analysis.postmortem import conclude, postmortem
from busdoc.analysis.unheard import unheard
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.no_bus import NoBus
from busdoc.isolation.suspects.exposure import find_reach
from busdoc.live.event_log import EventLog
from busdoc.live.session import LiveSession
from busdoc.live.view import HappeningKind
from busdoc.machine.machine import Machine
from busdoc.report.terminal.terminal import render
from busdoc.report.words.symptoms import showing_in_words
from busdoc.screen.areas.complaint import complaint_state
from busdoc.session.folder import SessionFolder
from busdoc.symptoms.looks import Asked, look_asked, looks_at
from busdoc.symptoms.of_person import seen_symptoms
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.truth.hand_records import BRANCHES, NS, ON_IT, sweeper


def did(at_s: float, kind: ActionKind, part: str | None = None, note: str = "") -> Action:
    return Action(n=0, time_ns=round(at_s * NS), uncertainty_ns=NS, kind=kind, part=part, note=note)


def numbered(actions: Sequence[Action]) -> list[Action]:
    return [replace(a, n=n) for n, a in enumerate(sorted(actions, key=lambda a: a.time_ns), start=1)]


def seen(at_s: float, note: str = "") -> Action:
    return did(at_s, ActionKind.SEEN, note=note)


def gone(at_s: float, note: str = "") -> Action:
    return did(at_s, ActionKind.GONE, note=note)


def shown(symptom: Symptom) -> list[tuple[float | None, float, float, float | None]]:
    """(not yet, since, still, gone) in s."""
    return [
        (
            None if s.not_yet_ns is None else s.not_yet_ns / NS,
            s.since_ns / NS,
            s.still_ns / NS,
            None if s.gone_ns is None else s.gone_ns / NS,
        )
        for s in symptom.spans
    ]


def only(*actions: Action, until_s: float = 200.0) -> Symptom:
    (one,) = seen_symptoms(numbered(actions), sweeper(), round(until_s * NS))
    return one


def test_between_two_looks_nobody_knows_better_than_people_look_up() -> None:
    """Every ten seconds or so (common practice): it came within fifteen before it was seen."""
    found = only(gone(0.0), seen(40.0), seen(50.0), gone(52.0), seen(58.0))
    assert shown(found) == [(25.0, 40.0, 50.0, 52.0), (52.0, 58.0, 58.0, None)]


def test_what_is_there_at_the_first_look_was_there_before() -> None:
    assert shown(only(seen(5.0), gone(30.0))) == [(None, 5.0, 15.0, 30.0)]


def test_nothing_can_be_seen_before_the_first_look_nor_after_the_last_press() -> None:
    found = only(gone(10.0), did(60.0, ActionKind.UNPLUG, "harness-A"), until_s=500.0)
    assert found.spans == ()
    assert found.observable == ((10 * NS, 60 * NS),)


def test_with_the_power_off_nothing_is_seen_and_what_shows_after_it_came_with_it() -> None:
    off, on = did(20.0, ActionKind.POWER_OFF), did(30.0, ActionKind.POWER_ON)
    found = only(seen(5.0), off, on, seen(40.0), did(60.0, ActionKind.MARK))
    assert found.observable == ((5 * NS, 20 * NS), (33 * NS, 60 * NS))
    assert [(a, b) for _, a, _, b in shown(found)] == [(5.0, 20.0), (40.0, None)]  # nobody looked in between
    assert shown(found)[1][0] == 33.0
    ended = only(seen(5.0), off, on, gone(40.0))
    assert shown(ended) == [(None, 5.0, 20.0, 20.0)]


def test_who_looks_has_power() -> None:
    """A power cycle is taken to last eight seconds, unless somebody sees something sooner."""
    found = only(gone(0.0), did(20.0, ActionKind.POWER_CYCLE), gone(24.0), did(60.0, ActionKind.MARK))
    assert found.observable == ((0, 20 * NS), (24 * NS, 60 * NS))


def test_two_things_are_two_symptoms_and_no_note_means_the_same_as_before() -> None:
    found = seen_symptoms(
        numbered([seen(5.0, "red lamp"), gone(9.0), seen(20.0, "buzzer"), gone(30.0), seen(40.0, "red lamp")]),
        sweeper(),
        50 * NS,
    )
    assert [(one.name, len(one.spans)) for one in found] == [("seen:red lamp", 2), ("seen:buzzer", 1)]


def test_looks_are_remarks_and_move_nothing() -> None:
    assert {ActionKind.MARK, ActionKind.SEEN, ActionKind.GONE} == set(REMARKS)
    actions = numbered([did(5.0, ActionKind.UNPLUG, "harness-A"), seen(10.0), gone(12.0)])
    reach = find_reach(sweeper(), actions)
    assert np.array_equal(reach.reaches[1], reach.reaches[3])
    assert not reach.odd.any()
    assert opening_state(sweeper(), actions).plugged("harness-A")


def test_a_journal_tells_what_was_seen(tmp_path: Path) -> None:
    path = tmp_path / "journal.csv"
    path.write_text(
        "time,action,part,into,uncertainty_s,note\n+5,seen,,,,red lamp in the cab\n+9,gone,hopper,,,\n",
        encoding="utf-8",
    )
    first, second = load_journal(path, sweeper(), start_ns=0, epoch=False).actions
    assert (first.kind, first.note, first.part) == (ActionKind.SEEN, "red lamp in the cab", None)
    assert (second.kind, second.part) == (ActionKind.GONE, "hopper")


def story(last: str = "harness-A") -> list[Action]:
    """All out, the power broken, the lamp gone; one by one in, and with the bad one the lamp is back."""
    order = [branch for branch in BRANCHES if branch != last]
    acts = [seen(0.0, "red lamp")]
    acts += [did(20.0 + 5.0 * n, ActionKind.UNPLUG, branch) for n, branch in enumerate(BRANCHES)]
    acts += [did(45.0, ActionKind.POWER_CYCLE), gone(62.0)]
    acts += [did(70.0 + 25.0 * n, ActionKind.PLUG, branch) for n, branch in enumerate(order)]
    acts += [gone(145.0), did(150.0, ActionKind.PLUG, last), seen(156.0)]
    return acts


def judged(acts: Sequence[Action], machine: Machine, until_s: float = 170.0) -> Weighed:
    actions = numbered(acts)
    health = unheard(actions, 0, round(until_s * NS))
    return weigh(machine, Observed(health=health, codes=(), warnings=()), actions)


@pytest.mark.parametrize("branch", BRANCHES)
def test_without_any_bus_presses_and_looks_find_the_branch(branch: str) -> None:
    found = judged(story(branch), sweeper())
    given = {one.part: one.probability for one in found.verdict.suspects}
    assert given[branch] + given[ON_IT[branch]] > 0.6
    assert max(given[one] for one in BRANCHES if one != branch) < 0.1
    assert found.complaint is not None
    assert found.complaint.name == "seen:red lamp"
    assert found.complaint.p_latches > 0.8  # it outlasted four unpluggings, and went with the power
    assert found.verdict.next_tests


def test_without_bus_and_map_the_branches_are_those_of_the_journal() -> None:
    given = {one.part: one.probability for one in judged(story(), Machine()).verdict.suspects}
    assert max(given, key=lambda part: given[part]) == "harness-A"
    assert "the machine" not in given


def told(acts: Sequence[Action]) -> str:
    case = Case(machine=sweeper(), channels=ChannelTable())
    actions = tuple(numbered(acts))
    return render(conclude(case, Watches(case), unheard(actions), actions), width=100)


def test_what_was_plugged_since_it_was_gone_may_have_brought_what_somebody_saw_late() -> None:
    """Seen a minute after the plug, since nobody had looked before: that no action explains it is not said."""
    late = [*story()[:-2], did(150.0, ActionKind.PLUG, "harness-A"), seen(215.0)]
    assert "No recorded action explains" not in told(late)
    unprovoked = [seen(0.0), gone(10.0), seen(60.0)]
    assert "No recorded action explains it." in told([did(-200.0, ActionKind.UNPLUG, "harness-A"), *unprovoked])


def test_without_a_bus_nobody_was_to_be_heard() -> None:
    text = told(story())
    assert "Sweeper: without a bus, " in text.replace("sweeper", "Sweeper")
    assert "is it the map of this machine" not in text


def test_nobody_looked_and_nobody_is_accused() -> None:
    found = judged([did(20.0, ActionKind.UNPLUG, "harness-A")], sweeper())
    assert (found.complaint, found.verdict.suspects) == (None, ())


class Clock:
    """A laptop's clock that is moved by hand."""

    def __init__(self) -> None:
        self.ns = 1_772_438_400 * NS

    def __call__(self) -> int:
        return self.ns

    def s(self) -> float:
        return self.ns / NS


def test_a_session_without_a_bus_is_lived_kept_and_read_again(tmp_path: Path) -> None:
    clock = Clock()
    began_ns = clock.ns
    folder = SessionFolder(tmp_path / "session")
    session = LiveSession(NoBus(clock), sweeper(), folder=folder, clock_s=clock.s)
    session.start()
    session.step()
    assert "write down" in session.view().headline
    for action in numbered(story()):
        clock.ns = began_ns + action.time_ns + NS
        session.act(action.kind, action.part, note=action.note)
        session.step()
    view = session.view()
    assert view.recording == f"presses are kept in {tmp_path / 'session'}"
    assert view.complaint is not None
    assert view.complaint.showing
    assert view.complaint.n_came == 1
    assert view.suspects[0].part in ("harness-A", "gate-angle")
    assert view.next is not None
    assert "red lamp" in view.headline
    result = session.result()
    session.close()
    assert result.trouble
    again = postmortem([tmp_path / "session"])
    assert again.complaint is not None
    assert again.complaint.spans == result.complaint.spans if result.complaint else False


def test_a_lamp_beside_a_bus_that_lost_nobody_is_the_complaint(tmp_path: Path) -> None:
    folder = Path(__file__).parents[2] / "captures" / "sweeper_code"
    lines = (folder / "actions.csv").read_text(encoding="utf-8").splitlines()
    first_s = float(lines[1].split(",")[0])
    looks = [(-15.0, "seen"), (30.0, "gone"), (81.5, "seen"), (105.0, "gone"), (120.5, "seen"), (150.0, "gone")]
    lines += [f"{first_s + at_s:.3f},{kind},,,,fault lamp" for at_s, kind in looks]
    journal = tmp_path / "journal.csv"
    journal.write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = postmortem(
        [folder / "capture.log.gz"],
        machine_file=folder.parent / "street_sweeper" / "machine.toml",
        journal_file=journal,
    )
    assert result.complaint is not None
    assert result.complaint.name == "seen:fault lamp"
    assert result.isolation is not None
    assert result.isolation.suspects[0].part == "gate-angle"


def test_the_bell_rings_for_a_complaint_that_comes_and_not_for_what_somebody_has_just_said() -> None:
    log = EventLog()
    found = only(gone(0.0), seen(40.0))
    log.complaint(replace(found, kind=SymptomKind.CODE, name="code:hopper:SPN 1 FMI 4", codes=("SPN 1 FMI 4",)))
    log.complaint(replace(found, kind=SymptomKind.CODE, name="code:hopper:SPN 1 FMI 4", codes=("SPN 1 FMI 4",)))
    (told,) = log.after(0)
    assert (told.kind, told.text) == (HappeningKind.SHOWS, "SPN 1 FMI 4 shows")


def test_the_look_before_a_step_that_saw_it_did_not_miss_it() -> None:
    """Who presses just before the next step tells what that step's look brought."""
    first = (gone(0.0), did(20.0, ActionKind.PLUG, "A"))
    found = only(*first, seen(31.0), did(32.0, ActionKind.UNPLUG, "A"), until_s=60.0)
    assert found.spans[0].not_yet_ns == 16 * NS


def test_looks_are_those_written_down_and_those_that_must_have_been_between() -> None:
    found = only(gone(0.0), did(10.0, ActionKind.PLUG, "A"), did(20.0, ActionKind.PLUG, "B"), seen(50.0), gone(90.0))
    assert [(t // NS, shows) for t, shows in found.looks] == [
        (0, False), (3, False), (18, False), (20, False), (35, False), (50, True), (60, True), (75, True), (90, False)
    ]  # fmt: skip
    (span,) = found.spans
    assert looks_at(found, span) == (3, 1)


def test_a_look_is_asked_for_after_a_step_and_a_second_one_where_it_changed() -> None:
    looked = (gone(0.0), gone(5.0))
    stepped = (*looked, did(6.0, ActionKind.PLUG, "harness-A"))
    changed = (*stepped, seen(10.0))
    sure = (*changed, seen(13.0))
    off = (*sure, did(20.0, ActionKind.POWER_OFF))
    asked = [
        (stepped, 8.0, Asked.NOTHING),  # it may take three seconds to show
        (stepped, 9.0, Asked.LOOK),
        (changed, 11.0, Asked.NOTHING),
        (changed, 12.0, Asked.AGAIN),
        (sure, 20.0, Asked.NOTHING),
        (sure, 28.0, Asked.LOOK),  # nobody has looked for a while
        (off, 60.0, Asked.NOTHING),
        ((*off, did(30.0, ActionKind.POWER_ON)), 60.0, Asked.LOOK),
    ]
    for actions, at_s, expected in asked:
        assert look_asked(only(*actions), numbered(actions), round(at_s * NS)) is expected


def test_what_went_with_the_power_could_not_be_seen_since() -> None:
    """Nobody may say of a lamp on a machine without power that its fault is gone (by definition of seeing)."""
    off = did(20.0, ActionKind.POWER_OFF)
    dark, looked = only(seen(5.0), off), only(seen(5.0), gone(40.0))
    on_again = only(seen(5.0), off, did(30.0, ActionKind.POWER_ON), gone(40.0))
    said = [showing_in_words(one, until_ns=60 * NS, start_ns=0, epoch=False) for one in (dark, on_again, looked)]
    assert said == [
        "was there at first, and could not be seen since",
        *["was there at first, and does not show now"] * 2,
    ]


def test_a_code_needs_no_look() -> None:
    code = replace(only(gone(0.0), seen(40.0)), kind=SymptomKind.CODE)
    assert look_asked(code, numbered([gone(0.0), seen(40.0)]), 90 * NS) is Asked.NOTHING


def test_the_screen_tells_a_dark_machine_from_one_on_which_nothing_shows(tmp_path: Path) -> None:
    clock = Clock()
    session = LiveSession(NoBus(clock), sweeper(), folder=SessionFolder(tmp_path / "session"), clock_s=clock.s)
    session.start()
    told = []
    for wait_s, kind in (
        (5, ActionKind.SEEN),
        (5, ActionKind.POWER_OFF),
        (12, ActionKind.POWER_ON),
        (9, ActionKind.GONE),
        (1, ActionKind.GONE),
    ):
        clock.ns += wait_s * NS
        session.act(kind)
        clock.ns += 4 * NS
        session.step()
        row = session.view().complaint
        assert row is not None
        told.append((complaint_state(row)[0], row.asked))
    session.close()
    assert told == [
        ("SHOWING", Asked.AGAIN),
        ("cannot be seen now", Asked.NOTHING),
        ("nobody has looked at", Asked.LOOK),
        ("not showing", Asked.AGAIN),
        ("not showing", Asked.NOTHING),
    ]


def test_who_waited_and_went_on_had_looked() -> None:
    """A row of quick steps has no look in it; after five seconds somebody looked before the next step."""
    first = (gone(0.0), did(20.0, ActionKind.PLUG, "A"))
    quick = only(*first, did(22.0, ActionKind.PLUG, "B"), seen(24.0), until_s=60.0)
    waited = only(*first, did(30.0, ActionKind.PLUG, "B"), seen(32.0), until_s=60.0)
    assert [one.spans[0].not_yet_ns for one in (quick, waited)] == [9 * NS, 28 * NS]
