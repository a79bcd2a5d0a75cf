"""Draw the pictures of the documentation: the real screen, what is written line by line, the record in a browser.

    python docs/make/pictures.py          all of them
    python docs/make/pictures.py screen   the screens alone, for which no browser is needed

A screen is an SVG in which every row is a text; a record is a PNG that keeps its words within itself. So a test
(`tests/docs/test_pictures.py`) holds both against what the program shows now, and says so when they have aged.
"""

import asyncio
import io
import re
import shutil
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from xml.sax.saxutils import escape

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from busdoc.actions.action import ActionKind
from busdoc.analysis.postmortem import postmortem
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main as busdoc
from busdoc.isolation.verdict import Step
from busdoc.live.session import LiveSession
from busdoc.live.view import SessionView
from busdoc.report.record.html import html_of_page
from busdoc.report.record.page import Items, Page, Text
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.provenance import Provenance
from busdoc.screen.app import IsolateApp
from busdoc.simulation.demo import demo_scenario
from busdoc.simulation.practice.bus import PracticeBus
from busdoc.simulation.scenario.file import load_scenario
from busdoc.times import SECOND_NS

__all__ = [
    "FOLDER",
    "LINES",
    "RECORDS",
    "SCREENS",
    "draw_lines",
    "draw_screens",
    "main",
    "page_of",
    "rows_in_words",
    "words_in",
    "words_of",
]

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "docs" / "pictures"
SIZE = (100, 32)
CELL_W, CELL_H, FONT = 8.4, 18, 14
PAPER = (820, 1120)
"""The first page of a record, in pixels."""
START = datetime(2026, 3, 2, 7, 14, tzinfo=UTC)
LONGEST_S = 900.0
TICK_S = 2.0
QUIET_S = 36.0
"""Nothing happens for so long; it is lived through at once."""
KEPT = "Words"
"""The key under which a PNG keeps the words that it shows."""
_SVG = "{http://www.w3.org/2000/svg}"
_RUNS = re.compile(r"\S+(?: \S+)*")
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


# Screens


SCREENS: tuple[str, ...] = ("isolation-fallen", "isolation-watching", "isolation-replace", "isolation-cured")
"""Moments of the whole job on the bundled practice machine, in their order."""


def step_of(view: SessionView) -> Step | None:
    """Give the step that is to be done; None while there is none, or it must still wait."""
    if view.next is None or view.next.step >= len(view.next.test.steps):
        return None
    held_ns = view.next.hold_until_ns
    return None if held_ns is not None and held_ns > view.now_ns else view.next.test.steps[view.next.step]


def moment(view: SessionView, pressed: Sequence[ActionKind]) -> str | None:
    """Name the moment that a view shows, if it is one to be drawn."""
    step = step_of(view)
    if view.cured and not view.not_back:
        return "isolation-cured"
    if step is not None and step.action is ActionKind.REPLACE:
        return "isolation-replace"
    if step is None and view.watching is not None and not view.watching.proves and ActionKind.UNPLUG in pressed:
        return "isolation-watching"
    if step is not None and not pressed:
        return "isolation-fallen"
    return None


def draw_screens() -> Mapping[str, list[Strip]]:
    """Work through the practice machine as a person who does what the screen says; give the rows at each moment."""
    return asyncio.run(_work())


async def _work() -> Mapping[str, list[Strip]]:
    clock_s = 0.0
    scenario = load_scenario(demo_scenario(), to_practise=True)
    began_ns = round(START.timestamp()) * SECOND_NS
    bus = PracticeBus(replace(scenario, start_ns=began_ns), clock_ns=lambda: round(clock_s * SECOND_NS))
    session = LiveSession(bus, scenario.machine, hands=bus, clock_s=lambda: clock_s)
    session.start()
    found: dict[str, list[Strip]] = {}
    pressed: list[ActionKind] = []

    def wait(seconds: float) -> None:
        nonlocal clock_s
        end_s = clock_s + seconds
        while clock_s < end_s:
            clock_s += TICK_S
            app.tick()

    app = IsolateApp(session, quiet=True, zone=UTC, clock_s=lambda: clock_s, ticking=False)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("space")  # the cautions were read
        clock_s = QUIET_S
        app.tick()
        while len(found) < len(SCREENS):
            if clock_s > LONGEST_S:
                raise RuntimeError(f"never seen: {', '.join(sorted(set(SCREENS) - set(found)))}")
            wait(TICK_S)
            step = step_of(app.state.view)
            if step is not None:
                wait(2.0)  # it is read, and done
            name = moment(app.state.view, pressed)
            if name is not None and name not in found:
                await pilot.pause()
                found[name] = app.screen._compositor.render_strips()
            if step is None or step_of(app.state.view) != step:
                continue
            await pilot.press("space", *(["y"] if step.action is ActionKind.REPLACE else []))
            pressed.append(step.action)
            if step.action in (ActionKind.POWER_OFF, ActionKind.POWER_ON):
                wait(4.0)  # until the traffic has shown it
    session.close()
    return found


LINES: Mapping[str, str] = {"resync-late": "What busdoc resync writes while a machine comes back: resync-late"}
"""What a command writes line by line, and the title of its picture."""


def draw_lines() -> Mapping[str, list[Strip]]:
    """Let a controller come home late in the bundled recording, as if at the machine; give what is written."""
    database = ROOT / "dbc_examples" / "street_sweeper.dbc"
    healthy, late = (ROOT / "captures" / name for name in ("sweeper_healthy", "sweeper_late"))
    with tempfile.TemporaryDirectory() as folder:
        learnt = Path(folder) / "sweeper.toml"
        _typed(
            "baseline", healthy / "capture.log.gz", "--actions", healthy / "actions.csv", "--db", database, "-o", learnt
        )
        capture = late / "capture.log.gz"
        text = _typed("resync", "--replay", capture, "--speed", "max", "--quiet", "--machine", learnt)
    return {"resync-late": [Strip([Segment(line)]) for line in text.splitlines()]}


def _typed(*words: object) -> str:
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)
    told = Surroundings(stdout=out, stderr=sys.stderr, environ={"COLUMNS": str(SIZE[0])})
    busdoc([str(word) for word in words], told)
    out.seek(0)
    return out.read()


def svg_of(rows: Sequence[Strip], title: str) -> str:
    """Give painted rows as an SVG of texts in the reader's own monospaced letters; nothing is fetched."""
    width, height = SIZE[0] * CELL_W + 16, len(rows) * CELL_H + 16
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" rx="6" fill="{_background(rows)}"/>',
        f'<g font-family="ui-monospace,Menlo,Consolas,\'DejaVu Sans Mono\',monospace" font-size="{FONT}">',
    ]
    for n, row in enumerate(rows):
        y, x = 8 + n * CELL_H, 0
        boxes, spans = [], []
        for segment in row:
            style = segment.style or Style()
            ink, paper = _colour(style.color, "#e0e0e0"), _colour(style.bgcolor, "")
            if style.reverse:
                ink, paper = paper or _background(rows), ink
            left, length = 8 + x * CELL_W, segment.cell_length * CELL_W
            if paper and paper != _background(rows):
                boxes.append(f'<rect x="{left:g}" y="{y}" width="{length:g}" height="{CELL_H}" fill="{paper}"/>')
            bold = ' font-weight="bold"' if style.bold else ""
            for run in _RUNS.finditer(segment.text):  # blanks are left out: browsers would join several into one
                at, run_length = left + cell_len(segment.text[: run.start()]) * CELL_W, cell_len(run[0]) * CELL_W
                spans.append(
                    f'<tspan x="{at:g}" textLength="{run_length:g}" lengthAdjust="spacingAndGlyphs" '
                    f'fill="{ink}"{bold}>{escape(run[0])}</tspan>'
                )
            x += segment.cell_length
        out += [*boxes, f'<text y="{y + 13}">{"".join(spans)}</text>']
    return "\n".join([*out, "</g>", "</svg>", ""])


def _colour(colour: object, otherwise: str) -> str:
    triplet = getattr(colour, "triplet", None)
    return otherwise if triplet is None else str(triplet.hex)


def _background(rows: Sequence[Strip]) -> str:
    style = next((segment.style for segment in rows[-1] if segment.style is not None), Style())
    return _colour(style.bgcolor, "#101010")


# Records


@dataclass(frozen=True, slots=True)
class Record:
    """A record of which the first page is shown."""

    capture: str
    journal: bool
    fields: Mapping[str, str]


RECORDS: Mapping[str, Record] = {
    "isolation-record": Record("street_sweeper", True, {"technician": "A. Nother", "order": "4711"}),
    "post-mortem-record": Record("sweeper_feed", False, {}),
}


def page_of(name: str) -> Page:
    """Analyse the capture of a record and lay its page out; without what differs from one computer to the next."""
    record = RECORDS[name]
    folder = ROOT / "captures" / record.capture
    result = postmortem(
        [folder / "capture.log.gz"],
        databases=[ROOT / "dbc_examples" / "street_sweeper.dbc"],
        machine_file=ROOT / "captures" / "street_sweeper" / "machine.toml",
        journal_file=folder / "actions.csv" if record.journal else None,
    )
    made = Provenance(command="", versions=(("busdoc", ""),), files=())
    return build_page(result, made, record.fields, START)


def words_of(page: Page) -> str:
    """Give the words of a record's first page."""
    lines = [page.title, page.state, page.headline, *(f"{name}: {value}" for name, value in page.facts.pairs)]
    for block in page.front:
        lines += [block.text] if isinstance(block, Text) else block.items if isinstance(block, Items) else []
    return "\n".join(lines) + "\n"


def shoot(page: Page, path: Path) -> None:
    """Have a browser draw a page, and keep it small.

    Raises
    ------
    RuntimeError : there is no browser
    """
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        raise RuntimeError(f"{path.name} was left as it is: drawing a record takes one of {', '.join(BROWSERS)}")
    with tempfile.TemporaryDirectory() as folder:
        source, shot = Path(folder) / "record.html", Path(folder) / "record.png"
        source.write_text(html_of_page(page), encoding="utf-8")
        words = (browser, "--headless", "--no-sandbox", "--hide-scrollbars", f"--screenshot={shot}")
        size = f"--window-size={PAPER[0]},{PAPER[1]}"
        subprocess.run([*words, size, source.as_uri()], check=True, capture_output=True, timeout=120)
        info = PngInfo()
        info.add_itxt(KEPT, words_of(page), zip=True)
        with Image.open(shot) as drawn:
            few = drawn.convert("RGB").quantize(24, dither=Image.Dither.NONE)
            few.save(path, optimize=True, pnginfo=info)


# Both


def words_in(path: Path) -> str:
    """Give the words that a stored picture shows."""
    if path.suffix == ".svg":
        rows = ET.parse(path).getroot().iter(f"{_SVG}text")
        return "\n".join(map(_row_in_words, rows)) + "\n"
    from PIL import Image

    with Image.open(path) as stored:
        return str(stored.info.get(KEPT, ""))


def _row_in_words(row: ET.Element) -> str:
    """Put the runs of a row back into their columns."""
    text = ""
    for run in row.iter(f"{_SVG}tspan"):
        column = round((float(run.attrib["x"]) - 8) / CELL_W)
        text += " " * (column - cell_len(text)) + (run.text or "")
    return text


def rows_in_words(rows: Sequence[Strip]) -> str:
    """Give painted rows as text, without blanks at the ends."""
    return "\n".join(row.text.rstrip() for row in rows) + "\n"


def main(names: Sequence[str]) -> int:
    """Draw all pictures, or the screens alone."""
    FOLDER.mkdir(exist_ok=True)
    for name, rows in draw_screens().items():
        path = FOLDER / f"{name}.svg"
        path.write_text(svg_of(rows, f"The screen of busdoc isolate: {name}"), encoding="utf-8", newline="\n")
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size / 1000:.0f} kB")
    for name, rows in draw_lines().items():
        path = FOLDER / f"{name}.svg"
        path.write_text(svg_of(rows, LINES[name]), encoding="utf-8", newline="\n")
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size / 1000:.0f} kB")
    if "screen" in names:
        return 0
    for name in RECORDS:
        path = FOLDER / f"{name}.png"
        try:
            shoot(page_of(name), path)
        except RuntimeError as error:
            print(error, file=sys.stderr)
            return 1
        print(f"{path.relative_to(ROOT)}: {path.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
