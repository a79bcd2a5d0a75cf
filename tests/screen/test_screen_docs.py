"""The page about the screen shows the real screen, and its page of help every key."""

import re
from pathlib import Path

from busdoc.screen.areas.pages import Page, draw_page
from busdoc.screen.drawing.lines import plain
from busdoc.screen.keys import COMMANDS
from tests.screen.made_views import HEALTHY

DOC = (Path(__file__).parents[2] / "docs" / "screen.md").read_text(encoding="utf-8")
STORED = {path.read_text(encoding="utf-8") for path in (Path(__file__).parent / "snapshots").glob("*.txt")}


def test_every_picture_is_one_of_the_real_screen() -> None:
    pictures = re.findall(r"^```text\n(.*?)^```$", DOC, re.DOTALL | re.MULTILINE)
    assert len(pictures) >= 4
    assert [picture.splitlines()[1] for picture in pictures if picture not in STORED] == []


def test_help_tells_of_every_command() -> None:
    shown = " ".join(plain(line) for line in draw_page(Page.HELP, HEALTHY, 80, 21)).split()
    missing = [command for command, key in COMMANDS.items() if key.shown.split()[0] not in shown]
    assert missing == ["help"]  # whoever reads it has found it
