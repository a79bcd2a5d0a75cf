"""The written record as a PDF: the same page as the HTML record, drawn by fpdf2.

fpdf2 is plain Python and needs no library of the system (unlike those that lay out HTML, which need Pango and its
kin), so it works the same on Windows, macOS and Linux. The letters are those that ship with matplotlib.
"""

import io
import logging
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from busdoc.analysis.result import Result
from busdoc.report.output import printable, write_bytes
from busdoc.report.record.html import NO_FIELDS
from busdoc.report.record.page import (
    Align,
    Block,
    Facts,
    Fold,
    Items,
    Page,
    Photograph,
    Picture,
    Section,
    Table,
    Text,
    Tone,
)
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.provenance import provenance
from busdoc.report.record.system_fonts import fonts_for, letters_of

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["Paper", "pdf_of_page", "write_pdf"]

Paper = Literal["A4", "Letter"]

_INCH_MM = 25.4
_MARGIN_MM = 14.0
_BODY_PT = 9.0
_UNDRAWN = re.compile(r"<use[^>]*LastResort[^>]*/>")
"""A letter that no font has: the drawing refers to a shape that it does not carry, which ends the PDF library."""
_SMALL_PT = 7.5
_CELL_EDGES_MM = 4.0
_MEASURED_ROWS = 500
_INK = (26, 26, 26)
_SOFT = (85, 85, 85)
_COLOUR = {Tone.TROUBLE: (163, 60, 0), Tone.GOOD: (11, 107, 79), Tone.CAUTION: (150, 100, 0)}
_MARK = {Tone.CAUTION: "\N{BLACK UP-POINTING TRIANGLE}", Tone.TROUBLE: "!"}
_HEADING_PT = {1: 14.0, 2: 12.0, 3: 9.5}


def write_pdf(
    result: Result, path: Path, *, command: str, fields: Mapping[str, str] = NO_FIELDS, paper: Paper = "A4"
) -> None:
    """Write the record of a result as a PDF file.

    Parameters
    ----------
    command, fields : as for `busdoc.report.record.html.write_html`
    paper : the sheet to print on

    Raises
    ------
    InputError : the file cannot be written
    """
    moment = datetime.now().astimezone()
    page = build_page(result, provenance(result, command), fields, moment)
    write_bytes(path, pdf_of_page(page, written=moment, paper=paper))


def pdf_of_page(page: Page, *, written: datetime, paper: Paper = "A4") -> bytes:
    """Give a page as the bytes of a PDF."""
    with _quiet():
        sheet = _new_sheet(page, written, paper)
        _verdict(sheet, page)
        _facts(sheet, page.facts)
        for block in page.front:
            _block(sheet, block)
        if page.front and page.sections:
            sheet.add_page()
        for section in page.sections:
            _section(sheet, section)
        return bytes(sheet.output())


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library from logging every letter that a font lacks; such a letter is drawn as a box."""
    loggers = [logging.getLogger(name) for name in ("fpdf", "fontTools")]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _new_sheet(page: Page, written: datetime, paper: Paper) -> "FPDF":
    import matplotlib as mpl
    from fpdf import FPDF

    title, made_by = printable(page.title), printable(page.made_by)

    class Sheet(FPDF):
        """Adds a line with the title and the page number to the foot of each page."""

        def footer(self) -> None:
            self.set_y(-10)
            self.set_font("text", size=_SMALL_PT)
            self.set_text_color(*_SOFT)
            self.cell(self.epw - 25, 4, f"{title[:70]} – {made_by}")
            self.cell(25, 4, f"{self.page_no()} / {{nb}}", align="R")

    sheet = Sheet(orientation="portrait", unit="mm", format=paper)
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    sheet.add_font("text", "", fonts / "DejaVuSans.ttf")
    sheet.add_font("text", "B", fonts / "DejaVuSans-Bold.ttf")
    sheet.add_font("code", "", fonts / "DejaVuSansMono.ttf")
    others = fonts_for(letters_of(page), fonts / "DejaVuSans.ttf")
    for number, path in enumerate(others):
        sheet.add_font(f"other{number}", "", path)
    sheet.set_fallback_fonts([f"other{number}" for number in range(len(others))], exact_match=False)
    sheet.set_margins(_MARGIN_MM, _MARGIN_MM)
    sheet.set_auto_page_break(True, margin=15)
    sheet.set_title(title)
    sheet.set_creator("busdoc")
    sheet.set_lang("en")
    sheet.set_creation_date(written)
    sheet.add_page()
    return sheet


def _verdict(sheet: "FPDF", page: Page) -> None:
    _write(sheet, page.title, size=_HEADING_PT[1], bold=True)
    sheet.ln(1)
    top = sheet.get_y()
    colour = _COLOUR[page.tone]
    sheet.set_left_margin(_MARGIN_MM + 5)
    sheet.set_y(top + 1.5)
    mark = "\N{HEAVY CHECK MARK}" if page.tone is Tone.GOOD else "\N{HEAVY MULTIPLICATION X}"
    _write(sheet, f"{mark} {page.state}", size=_BODY_PT, bold=True, colour=colour)
    _write(sheet, page.headline, size=12.0)
    sheet.set_left_margin(_MARGIN_MM)
    bottom = sheet.get_y() + 1.5
    sheet.set_draw_color(*colour)
    sheet.set_fill_color(*colour)
    sheet.set_line_width(0.5)
    sheet.rect(_MARGIN_MM, top, sheet.epw, bottom - top)
    sheet.rect(_MARGIN_MM, top, 2.5, bottom - top, style="F")
    sheet.set_fill_color(255, 255, 255)
    sheet.set_xy(_MARGIN_MM, bottom + 2)


def _section(sheet: "FPDF", section: Section) -> None:
    room_mm = 45 if any(isinstance(block, Picture) for block in section.blocks) else 25
    if sheet.get_y() + room_mm > sheet.h - 15:
        sheet.add_page()
    sheet.ln(4 if section.level == 2 else 2.5)
    if section.level == 2:
        sheet.set_draw_color(*_INK)
        sheet.set_line_width(0.5)
        sheet.line(_MARGIN_MM, sheet.get_y(), sheet.w - _MARGIN_MM, sheet.get_y())
        sheet.ln(1)
        sheet.start_section(printable(section.title)[:100], level=0)
    _write(sheet, section.title, size=_HEADING_PT[section.level], bold=True)
    sheet.ln(0.8)
    for block in section.blocks:
        if isinstance(block, Section):
            _section(sheet, block)
        else:
            _block(sheet, block)


def _block(sheet: "FPDF", block: Block) -> None:
    match block:
        case Text():
            _write(sheet, block.text, colour=_SOFT if block.tone is Tone.QUIET else _INK)
            sheet.ln(0.8)
        case Items():
            for item in block.items:
                _item(sheet, item, block.tone)
            sheet.ln(0.8)
        case Facts():
            _facts(sheet, block)
        case Table():
            _table(sheet, block)
        case Picture():
            _picture(sheet, block)
        case Photograph():
            _photograph(sheet, block)
        case Fold():
            if sheet.get_y() + 22 > sheet.h - 15:
                sheet.add_page()
            sheet.ln(1)
            _write(sheet, block.title, bold=True)
            for inner in block.blocks:
                _block(sheet, inner)


def _write(
    sheet: "FPDF",
    text: str,
    *,
    size: float = _BODY_PT,
    bold: bool = False,
    colour: tuple[int, int, int] = _INK,
) -> None:
    sheet.set_font("text", style="B" if bold else "", size=size)
    sheet.set_text_color(*colour)
    sheet.multi_cell(0, size * 0.47, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")


def _item(sheet: "FPDF", text: str, tone: Tone) -> None:
    mark = _MARK.get(tone, "\N{BULLET}")
    if sheet.will_page_break(8):
        sheet.add_page()
    sheet.set_font("text", style="B", size=_BODY_PT)
    sheet.set_text_color(*_COLOUR.get(tone, _INK))
    sheet.cell(5, _BODY_PT * 0.47, mark)
    sheet.set_left_margin(_MARGIN_MM + 5)
    _write(sheet, text)
    sheet.set_left_margin(_MARGIN_MM)
    sheet.set_x(_MARGIN_MM)


def _facts(sheet: "FPDF", facts: Facts) -> None:
    for name, value in facts.pairs:
        if sheet.will_page_break(8):
            sheet.add_page()
        sheet.set_font("text", size=_BODY_PT)
        sheet.set_text_color(*_SOFT)
        sheet.cell(34, _BODY_PT * 0.5, printable(name)[:24])
        if value:
            sheet.set_left_margin(_MARGIN_MM + 34)
            _write(sheet, value)
            sheet.set_left_margin(_MARGIN_MM)
            sheet.set_x(_MARGIN_MM)
        else:  # room to write on paper
            y = sheet.get_y() + 4
            sheet.set_draw_color(*_SOFT)
            sheet.set_line_width(0.2)
            sheet.line(_MARGIN_MM + 34, y, _MARGIN_MM + 100, y)
            sheet.ln(_BODY_PT * 0.55)


def _table(sheet: "FPDF", table: Table) -> None:
    from fpdf.fonts import FontFace

    if table.headed:
        if sheet.get_y() + 22 > sheet.h - 15:
            sheet.add_page()
        sheet.ln(1)
        _write(sheet, table.title, bold=True)
    sheet.set_text_color(*_INK)
    sheet.set_draw_color(150, 150, 150)
    sheet.set_line_width(0.15)
    sheet.set_font("text", size=_SMALL_PT)
    aligned = tuple("RIGHT" if column.align is Align.RIGHT else "LEFT" for column in table.columns)
    code = FontFace(family="code", size_pt=_SMALL_PT - 0.5)
    with sheet.table(
        borders_layout="HORIZONTAL_LINES",
        col_widths=_widths(sheet, table),
        text_align=aligned,
        headings_style=FontFace(emphasis="BOLD"),
        line_height=_SMALL_PT * 0.5,
        padding=(0.5, 1.2, 0.5, 0),
        v_align="TOP",
    ) as drawn:
        drawn.row([column.name for column in table.columns])
        for cells in table.rows:
            row = drawn.row()
            for column, cell in zip(table.columns, cells, strict=True):
                row.cell(printable(cell), style=code if column.code else None)
    if table.more:
        _write(sheet, f"and {table.more:,} more, in the JSON and the tables", size=_SMALL_PT, colour=_SOFT)
    sheet.ln(1.5)


def _widths(sheet: "FPDF", table: Table) -> tuple[float, ...]:
    """Share the width by the columns' weights; none gets less than its longest word where others can spare it."""
    total = sum(column.weight for column in table.columns)
    wished = [sheet.epw * column.weight / total for column in table.columns]
    least = [
        max(
            (sheet.get_string_width(word) for text in texts for word in printable(text).split()),
            default=0.0,
        )
        + _CELL_EDGES_MM
        for texts in zip([column.name for column in table.columns], *table.rows[:_MEASURED_ROWS], strict=True)
    ]
    spare = sum(max(wish - need, 0.0) for wish, need in zip(wished, least, strict=True))
    lacking = sum(max(need - wish, 0.0) for wish, need in zip(wished, least, strict=True))
    if not lacking or not spare:
        return tuple(wished)
    given = min(1.0, spare / lacking)
    taken = min(1.0, lacking / spare)
    return tuple(
        wish + given * (need - wish) if need > wish else wish - taken * (wish - need)
        for wish, need in zip(wished, least, strict=True)
    )


def _picture(sheet: "FPDF", picture: Picture) -> None:
    width_in = picture.widths[0]
    svg = picture.draw(width_in, True)
    width_mm = min(width_in * _INCH_MM, sheet.epw)
    height_mm = width_mm * _height_share(svg)
    if sheet.get_y() + height_mm > sheet.h - 15:
        sheet.add_page()
    svg = _UNDRAWN.sub("", svg)
    sheet.image(io.BytesIO(svg.encode("utf-8")), w=width_mm, h=height_mm, alt_text=printable(picture.text))
    if picture.captioned:
        _write(sheet, picture.text, size=_SMALL_PT, colour=_SOFT)
    sheet.ln(1)


def _photograph(sheet: "FPDF", photograph: Photograph) -> None:
    width_mm = min(sheet.epw * 0.75, sheet.eph * 0.45 * photograph.width / max(1, photograph.height))
    height_mm = width_mm * photograph.height / max(1, photograph.width)
    if sheet.get_y() + height_mm + 2 * _SMALL_PT > sheet.h - 15:
        sheet.add_page()
    sheet.image(io.BytesIO(photograph.jpeg), w=width_mm, h=height_mm, alt_text=printable(photograph.text))
    _write(sheet, photograph.text, size=_SMALL_PT, colour=_SOFT)
    sheet.ln(1)


def _height_share(svg: str) -> float:
    """Give height over width of an `svg` element from its view box."""
    _, _, rest = svg.partition('viewBox="')
    _, _, width, height = rest.partition('"')[0].split()
    return float(height) / float(width)
