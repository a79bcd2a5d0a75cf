"""The page in a real browser: Debian's Chromium, driven by selenium, in the sizes of a phone and of a tablet.

`.ci/steps.py browser` installs what these tests need; where it is missing they are left out, and say so.
"""

import importlib.util
import io
import shutil
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from busdoc.page.entry import Role
from busdoc.session.folder import read_session
from busdoc.simulation.world import Fault
from tests.page.browsed import Running, browser, running, until

CAN_RUN = all(map(shutil.which, ("chromium", "chromedriver"))) and importlib.util.find_spec("selenium") is not None

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CAN_RUN, reason="chromium, its driver or selenium is missing"),
]
FALLS = (Fault(part="gate-angle", latches=True, delay_s=0.7, from_s=4.0),)


class Hand:
    """Somebody with a phone."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def join(self, link: str, name: str = "") -> None:
        """Scan the code, read the cautions, and begin."""
        self.driver.get(link)
        until(lambda: self.shown("begin"), "the cautions")
        if name:
            self.find("name").send_keys(name)
        self.find("begin").click()
        until(lambda: self.text("clock"), "a picture")

    def find(self, name: str) -> Any:
        return self.driver.find_element("id", name)

    def text(self, name: str) -> str:
        return str(self.find(name).text)

    def shown(self, name: str) -> bool:
        return bool(self.find(name).is_displayed())

    def choose(self, *words: str) -> None:
        """Press something else, and what stands there."""
        self.find("else").click()
        for word in words:
            until(partial(self.press_in_menu, word), word)

    def press_in_menu(self, word: str) -> bool:
        for one in self.driver.find_elements("css selector", "#menu-body button"):
            if one.text.split("\n")[0] == word:
                one.click()
                return True
        return False

    def spoken(self) -> list[str]:
        return list(self.driver.execute_script("return window.spoken"))


@pytest.fixture
def hand() -> Iterator[Hand]:
    with browser() as driver:
        yield Hand(driver)


def logged(run: Running) -> list[tuple[str, str | None, str]]:
    with run.lock:
        return [(str(one.kind), one.part, one.by) for one in run.session.view().actions]


def test_two_join_by_the_code_and_each_sees_what_the_other_logs_and_the_screen_too(hand: Hand) -> None:
    with running() as run, browser() as second:
        other = Hand(second)
        hand.join(run.link(), "Anna")
        other.join(run.link(Role.VIEW))
        assert hand.driver.current_url.endswith("/")  # the secret does not stay in the address
        assert not other.shown("hand")
        hand.choose("Wiggled", "harness-A")
        until(lambda: hand.text("answer").startswith("logged"), "the answer")
        assert logged(run) == [("wiggle", "harness-A", "Anna")]
        until(lambda: "by Anna" in run.screen.message.text, "the message on the screen")
        until(lambda: "wiggled harness-A" in other.find("done").get_attribute("textContent"), "the other page")
        with run.lock:
            run.session.act(run.session.view().actions[0].kind, "harness-B")  # at the laptop
        until(lambda: "wiggled harness-B" in other.find("done").get_attribute("textContent"), "the other page")
        until(lambda: hand.find("undo").is_enabled(), "undo")
        hand.find("undo").click()
        until(lambda: hand.text("answer").startswith("undone"), "undone")
        assert [part for _, part, _ in logged(run)] == ["harness-A"]


def test_who_is_lost_is_shown_and_said_and_the_large_button_logs_the_step(hand: Hand) -> None:
    with running(faults=FALLS) as run:
        hand.join(run.link())
        until(lambda: "LOST" in hand.text("state"), "the loss")
        until(lambda: any("hopper" in text for text in hand.spoken()), "the voice")
        until(lambda: hand.find("press").is_enabled(), "a step")
        until(lambda: hand.driver.execute_script("return performance.now()") > 0, "the page")
        step = hand.text("press")
        until(lambda: hand.find("press").click() or hand.text("answer"), "an answer")
        until(lambda: "sent" not in hand.text("answer"), "the laptop's answer")
        while not hand.shown("yes"):  # it had just come up
            assert "press again" in hand.text("answer") or "twice" in hand.text("answer")
            hand.driver.execute_async_script("setTimeout(arguments[0], 1100)")
            hand.find("press").click()
            until(lambda: "sent" not in hand.text("answer"), "the laptop's answer")
        assert logged(run) == []
        assert "not logged yet" in hand.text("answer")
        hand.find("yes").click()
        until(lambda: logged(run), "the action")
        assert step.startswith("Done: Switch")


def test_a_press_in_a_lost_line_is_kept_and_logged_once_at_its_time(hand: Hand) -> None:
    with running() as run:
        hand.join(run.link())
        run.line.cut()
        until(lambda: "CONNECTION LOST" in hand.text("cut"), "the loss of the line")
        until(lambda: "Connection lost" in hand.spoken(), "the voice")
        hand.find("else").click()  # a menu lies above the rest, and says it too
        assert hand.shown("menu-cut")
        assert "CONNECTION LOST" in hand.text("menu-cut")
        hand.find("menu-close").click()
        hand.choose("Wiggled", "harness-A")
        with run.lock:
            pressed_ns = run.sweeper.now_ns()
        assert "not logged yet" in hand.text("answer")
        assert "1 press not logged yet, kept on this phone" in hand.text("press")
        hand.driver.execute_async_script("setTimeout(arguments[0], 1500)")
        assert logged(run) == []
        run.line.mend()
        until(lambda: logged(run), "the press")
        with run.lock:
            assert run.session.view().actions[0].time_ns == pytest.approx(pressed_ns, abs=1.0e9)
        until(lambda: hand.text("cut") == "", "the line")
        until(lambda: hand.text("answer").startswith("logged"), "the answer")


def test_a_press_whose_answer_was_lost_is_logged_once(hand: Hand) -> None:
    with running() as run:
        hand.join(run.link())
        run.line.loses_answers = True
        hand.choose("Wiggled", "harness-A")
        until(lambda: logged(run), "the press")
        assert "not logged yet" in hand.text("answer")
        run.line.mend()
        until(lambda: hand.text("answer").startswith("logged"), "the answer")
        assert run.line.n_asked >= 2
        assert len(logged(run)) == 1


def test_a_clock_ten_minutes_ahead_lands_right() -> None:
    for ahead_s in (600.0, -600.0):
        with running() as run, browser(ahead_s=ahead_s) as driver:
            hand = Hand(driver)
            hand.join(run.link())
            hand.choose("Wiggled", "harness-A")
            until(partial(logged, run), "the press")
            with run.lock:
                assert run.session.view().actions[0].time_ns == pytest.approx(run.sweeper.now_ns(), abs=1.5e9)
            assert "10 min" in hand.find("line-text").get_attribute("textContent")


def test_the_page_comes_back_by_itself_when_the_session_is_gone_on_with(hand: Hand, tmp_path: Path) -> None:
    folder = tmp_path / "session"
    first = Running(folder, ())
    hand.join(first.link(), "Anna")
    first.line.loses_answers = True
    hand.choose("Wiggled", "harness-A")
    until(lambda: logged(first), "the press")
    first.stop()
    until(lambda: hand.text("cut"), "that it is gone")
    again = Running(folder, (), first.sweeper)
    try:
        until(lambda: hand.text("cut") == "", "that it is back")
        until(lambda: hand.text("answer").startswith("logged"), "the answer")
        assert logged(again) == [("wiggle", "harness-A", "Anna")]
    finally:
        again.stop()
    assert len(read_session(folder).actions) == 1


def test_a_photograph_is_kept_with_the_mark(hand: Hand, tmp_path: Path) -> None:
    picture = tmp_path / "taken.png"
    image = io.BytesIO()
    Image.new("RGB", (3000, 1500), (10, 120, 40)).save(image, "PNG")
    picture.write_bytes(image.getvalue())
    folder = tmp_path / "session"
    with running(folder) as run:
        hand.join(run.link())
        hand.choose("Mark this moment")
        until(lambda: hand.shown("written"), "the form")
        hand.find("written").send_keys("green pin <b>")
        hand.find("pictured").send_keys(str(picture))
        hand.driver.find_element("css selector", "#menu-body .large").click()
        until(lambda: logged(run), "the mark")
        with run.lock:
            note = run.session.view().actions[0].note
        name = note.split()[-1]
        assert note.startswith("green pin <b> photograph-")
        with Image.open(folder / "photographs" / name) as kept:
            assert kept.size == (1600, 800)


def test_script_in_a_name_is_shown_as_text(hand: Hand) -> None:
    name = "<img src=x onerror=document.title=1>"
    with running() as run:
        hand.join(run.link(), name)
        hand.choose("Wiggled", "harness-A")
        until(lambda: name in hand.find("done").get_attribute("textContent"), "the name")
        assert hand.driver.execute_script("return document.querySelectorAll('main img, main script').length") == 0
        assert hand.driver.title != "1"


@pytest.mark.parametrize(("width", "height"), [(360, 740), (740, 360), (820, 1180)])
@pytest.mark.parametrize("dark", [False, True])
def test_it_can_be_read_and_pressed_by_everybody(width: int, height: int, dark: bool) -> None:
    """WCAG 2.2, levels A and AA, as far as axe-core can tell; nothing runs off the side; thumbs hit."""
    axe = pytest.importorskip("axe_core_python.selenium").Axe()
    tags = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
    with running(faults=FALLS) as run, browser(width, height, dark=dark) as driver:
        hand = Hand(driver)
        driver.get(run.link())
        until(lambda: hand.shown("begin"), "the cautions")
        assert violations(axe.run(driver, options=tags)) == []
        hand.find("begin").click()
        until(lambda: "LOST" in hand.text("state"), "the loss")
        for fold in driver.find_elements("css selector", "summary"):
            driver.execute_script("arguments[0].parentElement.open = true", fold)
        assert violations(axe.run(driver, options=tags)) == []
        assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
        small = driver.execute_script(
            "return [...document.querySelectorAll('button, summary, select')]"
            ".map((e) => [e.id, e.getBoundingClientRect()])"
            ".filter(([, r]) => r.width && (r.height < 44 || r.width < 44)).map(([id]) => id)"
        )
        assert small == []
        hand.find("else").click()
        until(lambda: hand.shown("menu"), "the menu")
        assert violations(axe.run(driver, options=tags)) == []
        errors = [entry["message"] for entry in driver.get_log("browser") if entry["level"] == "SEVERE"]
        assert errors == []


def violations(found: Any) -> list[tuple[str, list[str]]]:
    return [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found["violations"]]
