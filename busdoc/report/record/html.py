"""The written record as one self-contained HTML file: no script, nothing fetched, readable on a phone and on paper."""

import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from functools import cache
from pathlib import Path
from threading import Thread
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from busdoc.analysis.result import Result
from busdoc.kernels.cores import threads
from busdoc.report.output import printable, write_text
from busdoc.report.record.page import Page, Picture
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.pictures.drawing import load_drawing
from busdoc.report.record.provenance import file_hash, provenance

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["html", "html_of_page", "prepare", "write_html"]

NO_FIELDS: Mapping[str, str] = MappingProxyType({})
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def prepare(files: Sequence[Path] = ()) -> Thread:
    """Load what drawing needs and hash the files, in a thread beside the analysis; nothing depends on its end.

    The plotting library takes half a second to load and half a gigabyte as long to hash, while the analysis keeps
    less than all of the machine busy.
    """

    def run() -> None:
        load_drawing()
        _environment()
        for file in files:
            with suppress(OSError):  # named when the record is written
                file_hash(file)

    thread = Thread(target=run, name="prepare record", daemon=True)
    thread.start()
    return thread


def write_html(result: Result, path: Path, *, command: str, fields: Mapping[str, str] = NO_FIELDS) -> None:
    """Write the record of a result as one HTML file.

    Parameters
    ----------
    command : the command that made the result, as it was typed; empty when it came from Python
    fields : the technician's fields (`technician`, `serial`, `hours`, `order`, or any other name)

    Raises
    ------
    InputError : the file cannot be written
    """
    write_text(path, html(result, command=command, fields=fields))


def html(
    result: Result, *, command: str = "", fields: Mapping[str, str] = NO_FIELDS, written: datetime | None = None
) -> str:
    """Give the record of a result as HTML text.

    Parameters
    ----------
    written : the time to print as that of writing; None: now, in the laptop's own zone
    """
    moment = datetime.now().astimezone() if written is None else written
    with threads(1, "provenance") as beside:  # hashing half a gigabyte takes as long as loading the libraries
        made = beside.submit(provenance, result, command)
        load_drawing()
        _environment()
        return html_of_page(build_page(result, made.result(), fields, moment))


def html_of_page(page: Page) -> str:
    """Give a page as HTML text; every text in it is escaped."""
    from markupsafe import Markup

    environment = _environment()
    style = environment.get_template("record.css").render()
    return environment.get_template("record.html.j2").render(page=page, style=Markup(style))


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("busdoc.report.record"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalized,
        keep_trailing_newline=True,
    )
    environment.filters["kind"] = lambda block: type(block).__name__
    environment.filters["drawn"] = _drawn
    environment.filters["percent"] = _percent
    environment.filters["base64"] = lambda data: b64encode(data).decode("ascii")
    return environment


def _finalized(value: Any) -> Any:
    """Take characters without a shape out of every text that is not markup of our own."""
    return printable(value) if type(value) is str else value


def _drawn(picture: Picture, width_in: float) -> Any:
    from markupsafe import Markup

    return Markup(picture.draw(width_in, False))


def _percent(cell: str) -> str:
    found = _NUMBER.search(cell)
    return f"{min(100.0, float(found.group())):.0f}" if found else "0"
