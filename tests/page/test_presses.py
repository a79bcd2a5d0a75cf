"""A press on the page is logged once, at its own time, by the rules of the machine's key, with who pressed."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from busdoc.actions.action import POWER_KINDS
from busdoc.page.entry import Role
from busdoc.page.hosts.isolate import YES
from busdoc.screen.step_press import current_step
from busdoc.session.folder import read_session
from busdoc.simulation.world import Fault
from tests.page.served import Phone, Served, served


@pytest.fixture(scope="module")
def page() -> Iterator[Served]:
    with served() as found:
        yield found


def act(phone: Phone, **more: Any) -> dict[str, Any]:
    answer = phone.press("act", action="wiggle", part="harness-A", **more)
    assert isinstance(answer, dict)
    return answer


def test_a_press_is_logged_at_the_time_at_which_it_was_pressed(page: Served) -> None:
    phone = page.phone()
    now_ns = page.sweeper.now_ns()
    answer = act(phone, ago_s=2.0)
    assert answer["logged"]
    action = next(one for one in page.session.view().actions if one.n == answer["n"])
    assert now_ns - action.time_ns == pytest.approx(2e9, abs=0.3e9)


def test_a_press_that_is_sent_again_is_logged_once(page: Served) -> None:
    phone = page.phone()
    before = len(page.session.view().actions)
    press = phone.pressed("act", action="wiggle", part="harness-B")
    assert phone.send(press) == phone.send(press)
    assert len(page.session.view().actions) == before + 1


def test_who_pressed_stands_beside_the_action_and_on_every_other_page(page: Served) -> None:
    phone, other = page.phone(), page.phone()
    phone.by = "Anna \x1b[2J"
    with other.looking() as part:
        part("done")
        act(phone)
        while "Anna ?[2J" not in {one["by"] for one in part("done")}:
            pass  # what was done before may be told anew first; it is not waited for without end
        # What another test pressed may stand at a later time of the machine, and so before it.
        assert "by Anna ?[2J" in " ".join(one["text"] for one in part("lately"))


def test_a_press_from_before_the_session_is_not_logged(page: Served) -> None:
    answer = act(page.phone(), ago_s=86_400.0)
    assert (answer["logged"], answer["text"]) == (False, "pressed before this session began; nothing logged")


def test_an_action_on_a_part_that_is_not_there_is_refused_in_a_sentence(page: Served) -> None:
    answer = page.phone().press("act", action="unplug", part="nothing")
    assert not answer["logged"]
    assert answer["text"].startswith("NOT LOGGED. nothing: expected a part of the map")


def test_undo_strikes_out_the_action_that_it_names_and_no_other(page: Served) -> None:
    phone = page.phone()
    first, second = act(phone)["n"], act(phone)["n"]
    answer = phone.press("undo", n=first)
    assert answer["text"].startswith("undone: ")
    left = [one.n for one in page.session.view().actions]
    assert first not in left
    assert second in left


def test_a_phone_that_only_looks_logs_nothing(page: Served) -> None:
    phone = page.phone(Role.VIEW)
    before = page.session.view().actions
    status, _ = phone.ask("POST", "/press", phone.pressed("act", action="wiggle", part="harness-A"))
    assert status == 403
    assert page.session.view().actions == before
    with phone.looking() as part:
        assert part("hello")["logs"] is False


@contextmanager
def fallen() -> Iterator[Served]:
    """Serve a session that proposes a step."""
    with served(faults=[Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=2.0)], seconds=9.0) as found:
        yield found


@pytest.fixture(scope="module")
def pulled() -> Iterator[Served]:
    """Have what the step says done up to where a part is to be pulled."""
    with fallen() as found:
        while (step := current_step(found.session.view())) is not None and step.action in POWER_KINDS:
            found.sweeper.do(step.action, step.part)
            found.session.act(step.action, step.part)
            found.run(0.5)
        assert step is not None
        yield found


@pytest.fixture
def pulling(pulled: Served) -> Iterator[Served]:
    """Give it, and take back what a test logged."""
    before = {action.n for action in pulled.session.view().actions}
    yield pulled
    for n in sorted({action.n for action in pulled.session.view().actions} - before, reverse=True):
        pulled.session.undo(n)


def shown_step(page: Served) -> dict[str, Any]:
    step = page.host.sections()["step"]
    assert isinstance(step, dict)
    press = step["press"]
    assert isinstance(press, dict)
    return press


def test_a_step_that_puts_hands_in_danger_takes_a_second_answer() -> None:
    with fallen() as falling:
        confirm(falling)


def confirm(falling: Served) -> None:
    phone, step = falling.phone(), shown_step(falling)
    answer = phone.press(**step)
    assert (answer["logged"], answer["awaits"]) == (False, True)
    assert answer["text"] == f"not logged yet: the traffic will show it and log it; else {YES} says that it is done"
    assert falling.session.view().actions == ()
    assert phone.press(**{**step, "what": "yes"})["logged"]
    assert not phone.press(**{**step, "what": "yes"})["logged"]
    assert [str(one.kind) for one in falling.session.view().actions] == [step["action"]]


def test_the_large_button_logs_the_step_that_it_shows(pulling: Served) -> None:
    phone, step = pulling.phone(), shown_step(pulling)
    answer = phone.press(**step)
    assert answer["logged"], answer
    action = pulling.session.view().actions[-1]
    assert (str(action.kind), action.part) == (step["action"], step["part"])


def test_a_thumb_that_slips_logs_one_step(pulling: Served) -> None:
    phone, step = pulling.phone(), shown_step(pulling)
    assert phone.press(**step)["logged"]
    answer = phone.press(**shown_step(pulling))
    assert answer["text"] == "pressed twice within a second; nothing more logged"
    assert len(pulling.session.view().actions) == 2


def test_a_step_that_came_up_under_the_thumb_is_not_logged(pulling: Served) -> None:
    answer = pulling.phone().press(**shown_step(pulling), since_s=0.5)
    assert answer["text"].startswith("just now it has come to: ")
    assert len(pulling.session.view().actions) == 1


def test_two_who_press_for_one_step_log_it_once(pulling: Served) -> None:
    one, other, step = pulling.phone(), pulling.phone(), shown_step(pulling)
    first = one.press(**step)
    answer = other.press(**step)
    assert answer["text"] == f"{first['text']}, before this press; nothing more logged"
    assert len(pulling.session.view().actions) == 2


def test_what_was_done_while_the_line_was_cut_is_logged_at_its_time(pulling: Served) -> None:
    phone, step = pulling.phone(), {**shown_step(pulling), "part": "harness-B"}  # another stands there by now
    assert phone.press(**step, ago_s=3.0)["text"].startswith("just now it has come to: ")
    assert len(pulling.session.view().actions) == 1
    pressed_ns = pulling.sweeper.now_ns() - 1_000_000_000
    answer = phone.press(**step, ago_s=1.0, cut_s=5.0)
    assert answer["logged"], answer
    action = next(one for one in pulling.session.view().actions if one.n == answer["n"])
    assert action.time_ns == pytest.approx(pressed_ns, abs=0.3e9)


def test_what_was_pressed_is_known_after_the_session_was_gone_on_with(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    with served(folder) as page:
        phone = page.phone()
        phone.by = "Anna"
        press = phone.pressed("act", action="wiggle", part="harness-A")
        first = phone.send(press)
        port, cookie = page.server.place.port, phone.cookie
    with served(folder, seconds=0.5, sweeper=page.sweeper) as page:
        assert page.server.place.port == port
        again = Phone(page, by="Anna")
        again.cookie = cookie  # the phone comes back by itself
        assert again.send(press) == {**first, "text": again.send(press)["text"]}
        assert [one.by for one in page.session.view().actions] == ["Anna"]
    assert [one.by for one in read_session(folder).actions] == ["Anna"]
