"""What of a laptop decides whether a job at the machine goes well: each thing is judged by what was found of it."""

import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from busdoc.cli.first_minute.finding import Finding, Standing
from busdoc.files.parts import PARTS, missing_part

__all__ = [
    "battery",
    "clock",
    "disk",
    "fonts",
    "is_writable",
    "parts",
    "python",
    "read_battery",
    "read_synchronised",
    "system_name",
    "terminal",
]

_PAUSES_BELOW_BYTES = 500_000_000
"""Where `busdoc record` pauses unless told otherwise."""
_DAY_BYTES = 5_000_000_000
"""A full bus of 500 kbit/s for a day, compressed: some 4,000 frames a second of 12 to 15 bytes (measured)."""
_LEAST_YEAR = 2025
_LEAST_COLUMNS, _LEAST_ROWS = 80, 24
_LOW_PERCENT = 50


def python(version: tuple[int, int, int], system: str) -> Finding:
    """Say which Python runs, on what."""
    text = f"{'.'.join(map(str, version))} on {system}"
    return Finding(about="python", standing=Standing.WELL, text=text)


def parts() -> Finding:
    """Say which extras are not installed, and what is not to be had without them."""
    missing = [part for part in map(missing_part, PARTS) if part is not None and part.for_all]
    if not missing:
        return Finding(about="parts", standing=Standing.WELL, text="all that belong to busdoc are installed")
    what = "; ".join(f"{part.name}, for {part.what}" for part in missing)
    projects = " ".join(project for part in missing for project in part.projects)
    return Finding(
        about="parts",
        standing=Standing.MIND,
        text=f"not installed: {what}",
        advice=f"While there is a network: python -m pip install {projects}",
    )


def disk(folder: Path, free_bytes: int, *, writable: bool) -> Finding:
    """Say whether a session can be kept here."""
    free = f"{free_bytes / 1e9:,.1f} GB free in {folder}"
    if not writable:
        return Finding(
            about="disk",
            standing=Standing.WRONG,
            text=f"nothing can be written in {folder}",
            advice="Start busdoc in a folder of your own.",
        )
    if free_bytes < _PAUSES_BELOW_BYTES:
        return Finding(
            about="disk",
            standing=Standing.WRONG,
            text=f"{free}; recording pauses below {_PAUSES_BELOW_BYTES / 1e9:g} GB",
            advice="Make room, or name another folder.",
        )
    if free_bytes < _DAY_BYTES:
        return Finding(
            about="disk",
            standing=Standing.MIND,
            text=f"{free}: room for about {24 * free_bytes / _DAY_BYTES:.0f} h of a full bus",
            advice="Make room before recording for days.",
        )
    return Finding(about="disk", standing=Standing.WELL, text=free)


def clock(now: datetime, zone: str, *, synchronised: bool | None) -> Finding:
    """Say whether the clock can be trusted for times of day.

    Parameters
    ----------
    now : with its zone
    zone : its name
    synchronised : whether the system says that it follows another clock; None: it cannot be asked
    """
    said = f"{now:%Y-%m-%d %H:%M:%S} {zone}, {now.astimezone(UTC):%H:%M:%S} UTC"
    if now.year < _LEAST_YEAR:
        return Finding(
            about="clock", standing=Standing.WRONG, text=said, advice="Set it: times of day would be of no use."
        )
    if synchronised is False:
        return Finding(
            about="clock",
            standing=Standing.MIND,
            text=f"{said}; it follows no other clock",
            advice="Compare it with the watch by which things are written down.",
        )
    kept = "" if synchronised is None else "; kept by another clock"
    return Finding(about="clock", standing=Standing.WELL, text=said + kept)


def read_synchronised() -> bool | None:
    """Ask Linux whether its clock is kept (adjtimex(2): STA_UNSYNC); elsewhere it is not known."""
    if sys.platform != "linux":
        return None
    import ctypes

    unsynchronised = 0x40
    try:
        timex = (ctypes.c_long * 64)()  # modes = 0: nothing is set, all is read; status is the sixth field
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else not timex[5] & unsynchronised


def terminal(
    columns: int, rows: int, encoding: str, *, is_one: bool, marks: bool, environ: Mapping[str, str]
) -> Finding:
    """Say whether the screen can be shown.

    Parameters
    ----------
    is_one : whether output goes to a terminal
    marks : whether it can write the signs of the picture of presence
    """
    if not is_one:
        return Finding(
            about="terminal",
            standing=Standing.MIND,
            text="output goes to a file or a pipe, so the terminal was not seen",
            advice="Type busdoc ready in the terminal that you will use.",
        )
    text = f"{columns} columns, {rows} rows, {encoding or 'unknown encoding'}"
    if environ.get("TERM") == "dumb":
        return Finding(
            about="terminal",
            standing=Standing.MIND,
            text=f"{text}; it moves no cursor",
            advice="Use isolate --plain, or another terminal.",
        )
    if columns < _LEAST_COLUMNS or rows < _LEAST_ROWS:
        return Finding(
            about="terminal",
            standing=Standing.MIND,
            text=f"{text}; the screen wants {_LEAST_COLUMNS} by {_LEAST_ROWS}",
            advice="Make the window larger, or the letters smaller.",
        )
    if not marks:
        return Finding(
            about="terminal",
            standing=Standing.MIND,
            text=f"{text}; the picture of presence is drawn in plain letters",
            advice="On Windows use the newer terminal, or set PYTHONUTF8=1.",
        )
    return Finding(about="terminal", standing=Standing.WELL, text=text)


def fonts(n_fonts: int | None) -> Finding:
    """Say whether the report finds letters beyond its own.

    Parameters
    ----------
    n_fonts : of the system; None: the part that looks is not installed
    """
    own = "Latin, Greek and Cyrillic names have a font of their own in the report"
    if n_fonts:
        return Finding(
            about="fonts", standing=Standing.WELL, text=f"{own}; {n_fonts} of this computer serve other letters"
        )
    standing = Standing.WELL if n_fonts is None else Standing.MIND
    return Finding(about="fonts", standing=standing, text=own + ("" if n_fonts is None else "; others would be boxes"))


def battery(percent: int | None, *, on_mains: bool | None) -> Finding:
    """Say whether the laptop lasts: a session ends with its power."""
    if percent is None and on_mains is None:
        return Finding(about="power", standing=Standing.WELL, text="no battery that could be asked")
    if on_mains or percent is None:
        text = "on mains" + ("" if percent is None else f", battery {percent} %")
        return Finding(about="power", standing=Standing.WELL, text=text)
    low = percent < _LOW_PERCENT
    return Finding(
        about="power",
        standing=Standing.MIND if low else Standing.WELL,
        text=f"on battery, {percent} %",
        advice="Charge it. A laptop that falls asleep hears nothing meanwhile." if low else "",
    )


def read_battery(folder: Path = Path("/sys/class/power_supply")) -> tuple[int | None, bool | None]:
    """Ask Linux for (percent of the battery, whether mains power is there); None for what it does not say."""
    percent: int | None = None
    on_mains: bool | None = None
    try:
        supplies = sorted(folder.iterdir())
    except OSError:
        return None, None
    for supply in supplies:
        kind = _line(supply / "type")
        if kind == "Battery" and _line(supply / "scope") != "Device":
            text = _line(supply / "capacity")
            percent = int(text) if text.isdigit() else percent
        elif kind in ("Mains", "USB") and _line(supply / "online") in ("0", "1"):
            on_mains = bool(on_mains) or _line(supply / "online") == "1"
    return percent, on_mains


def _line(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def is_writable(folder: Path) -> bool:
    """Whether a file can be made in a folder; rights alone do not say so on every system."""
    import tempfile

    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def system_name() -> str:
    """Name the system as a person would say it."""
    import platform

    return f"{platform.system()} {platform.release()}, {platform.machine()}".strip(", ")
