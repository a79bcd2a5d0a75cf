"""Restarts over and over: told once everywhere, with all of them in the JSON document and the record."""

import re

import pytest

from busdoc.analysis.result import Result
from busdoc.analysis.spells import fold_spells
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.isolation.verdict import Because
from busdoc.live.event_log import EventLog
from busdoc.live.rows import losses_by_controller
from busdoc.live.view import HappeningKind
from busdoc.report.json.document import document
from busdoc.report.record.html import html
from busdoc.report.terminal.strip import ASCII, draw_strip
from busdoc.report.terminal.terminal import render
from busdoc.report.words.spells import spell_in_words
from tests.truth.by_chance.resets import reset_machine
from tests.truth.restarts import analysed

S = 1_000_000_000


def fell(at_s: float, *names: str, kind: IncidentKind = IncidentKind.DROPOUT, back: bool = True) -> Incident:
    """Give a dropout of 2 s that a claim ended."""
    last_ns = round(at_s * S)
    losses = tuple(
        Loss(
            controller=name,
            last_seen_ns=last_ns,
            onset_ns=last_ns + S // 10,
            back_ns=last_ns + 2 * S if back else None,
            steady_ns=last_ns + 2 * S + S // 10 if back else None,
            ran_on=RanOn.RESTARTED if back else RanOn.UNKNOWN,
            p_restarted=0.99 if back else None,
            announced=back,
        )
        for name in names
    )
    return Incident(
        kind=kind,
        channel=0,
        controllers=names,
        last_seen_ns=last_ns,
        onset_ns=last_ns + S // 10,
        back_ns=losses[0].back_ns,
        steady_ns=losses[0].steady_ns,
        ran_on=losses[0].ran_on,
        p_restarted=losses[0].p_restarted,
        losses=losses,
    )


def because(n: int, *, expected: bool = False, action: int | None = None) -> Because:
    probability = 0.0 if action is None else 0.9
    return Because(
        incident=n, action=action, probability=probability, spontaneous=1 - probability, lag_ns=None, expected=expected
    )


def test_a_spell_stands_at_its_first_restart_and_answers_to_what_that_answers_to() -> None:
    incidents = [fell(10, "a"), fell(11, "b"), fell(13, "a"), fell(16, "a"), fell(40, "a")]
    told, why = fold_spells(incidents, [because(0, action=3), *(because(k) for k in range(1, 5))])
    assert [one.kind for one in told] == [IncidentKind.RESTARTING, IncidentKind.DROPOUT, IncidentKind.DROPOUT]
    assert (told[0].controllers, len(told[0].losses), told[0].back_ns) == (("a",), 3, 18 * S)
    assert [(one.incident, one.action) for one in why] == [(0, 3), (1, None), (2, None)]


def test_what_an_action_explains_or_took_others_too_is_no_part_of_a_spell() -> None:
    plain = [fell(10, "a"), fell(13, "a"), fell(16, "a"), fell(19, "a")]
    told, _ = fold_spells(plain, [because(0), because(1), because(2, expected=True), because(3)])
    assert [one.kind for one in told] == [IncidentKind.DROPOUT] * 4
    others = [*plain[:2], fell(16, "a", "b"), fell(19, "a"), fell(22, "a"), fell(25, "a")]
    told, _ = fold_spells(others, [because(k) for k in range(6)])
    assert [len(one.losses) for one in told] == [1, 1, 2, 3]


def test_those_that_fall_together_each_time_are_one_spell() -> None:
    (told,), _ = fold_spells([fell(k * 3.0, "a", "b") for k in range(1, 6)], [because(k) for k in range(5)])
    assert (told.kind, told.controllers, len(told.losses)) == (IncidentKind.RESTARTING, ("a", "b"), 10)


@pytest.fixture(scope="module")
def restarting() -> Result:
    return analysed(reset_machine(3_100, isolated=True))


def test_terminal_document_and_record_tell_a_spell_once_with_all_its_restarts(restarting: Result) -> None:
    spells = [one for one in restarting.incidents if one.kind is IncidentKind.RESTARTING]
    assert spells
    text = " ".join(render(restarting, width=160).split())
    said = document(restarting)["incidents"]
    assert isinstance(said, list)
    listed = [one for one in said if isinstance(one, dict) and one["kind"] == "restarting"]
    page = html(restarting)
    for spell, one in zip(spells, listed, strict=True):
        assert text.count(f"{spell.controllers[0]} restarts over and over, ") == len(spells)
        assert len(one["losses"]) == len(spell.losses) >= 3
        for sentence in spell_in_words(restarting, spell):
            assert sentence in text
        assert f"All {len(spell.losses)} times that it was away" in page
    lines = [line for spell in spells for line in spell_in_words(restarting, spell)]
    assert any(line.startswith("After plugging ") for line in lines)


def test_what_is_said_of_the_time_after_an_action_is_so(restarting: Result) -> None:
    spell = next(one for one in restarting.incidents if one.kind is IncidentKind.RESTARTING)
    starts_ns = sorted(
        loss.last_seen_ns
        for incident, reason in zip(restarting.incidents, restarting.because, strict=True)
        for loss in incident.losses
        if incident.kind in (IncidentKind.RESTARTING, IncidentKind.DROPOUT, IncidentKind.RESTART)
        and incident.controllers == spell.controllers
        and not reason.expected
    )
    times_ns = [action.time_ns for action in restarting.actions]
    after = re.compile(r"\(action (\d+)\): (no restart|once|twice|(\d+) times) in ")
    said = [
        after.search(line)
        for incident in restarting.incidents
        if incident.kind is IncidentKind.RESTARTING
        for line in spell_in_words(restarting, incident)
    ]
    found = [one for one in said if one is not None]
    assert found
    for one in found:
        n = int(one[1])
        until_ns = times_ns[n] if n < len(times_ns) else restarting.health.until_ns
        restarts = sum(times_ns[n - 1] < at_ns <= until_ns for at_ns in starts_ns)
        words = {"no restart": 0, "once": 1, "twice": 2}
        assert (int(one[3]) if one[3] else words[one[2]]) == restarts


def test_a_column_of_the_strip_in_which_it_was_up_and_down_shows_both(restarting: Result) -> None:
    health = restarting.health
    one = max(health.controllers, key=lambda each: each.restarts)
    first_ns, after_ns = one.absences[0][0], one.absences[3][0]
    assert draw_strip(one, (), first_ns, after_ns, 1, ASCII) == "+"
    from_ns, to_ns = one.absences[0]
    assert draw_strip(one, (), from_ns, to_ns, 2, ASCII) == ".."


def test_a_session_tells_the_third_restart_as_one_of_many_and_no_more_until_it_runs_on() -> None:
    log = EventLog()
    incidents = [fell(k * 2.6, "a") for k in range(1, 11)]
    for n in range(1, 11):
        known = losses_by_controller(incidents[:n], [because(k) for k in range(n)])
        log.losses(known, (incidents[n - 1].back_ns or 0) + S // 2)
    kinds = [one.kind for one in log.after(0)]
    assert kinds.count(HappeningKind.RESTARTED) == 1
    assert kinds.count(HappeningKind.LOST) == 2
    log.losses(losses_by_controller(incidents, [because(k) for k in range(10)]), 60 * S)
    last = log.after(0)[-1]
    assert (last.kind, last.text) == (HappeningKind.BACK, "a is back in step after 10 restarts, and stays up")
