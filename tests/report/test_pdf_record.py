"""The PDF record holds what the HTML record holds."""

import io
import re
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.report.record.html import html_of_page
from busdoc.report.record.page import Items, Page, Section, Table, Text
from busdoc.report.record.pages.build import build_page
from busdoc.report.record.pdf import Paper, pdf_of_page, write_pdf
from busdoc.report.record.provenance import provenance
from tests.report import record_results as made

WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
RESULTS = {"clean": made.clean, "one branch": made.one_branch}


def page_of(result: Result) -> Page:
    return build_page(result, provenance(result, "busdoc postmortem x.log"), {"technician": "A. Nother"}, WRITTEN)


def letters(text: str) -> str:
    """Leave out blanks, line ends and the hyphens of broken lines: a PDF breaks lines where it likes."""
    return re.sub(r"\s", "", text)


def text_of(pdf: bytes) -> str:
    pages = (page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)
    return letters("".join(re.sub(r"Controller health.*\n?\d+ / \d+", "", text) for text in pages))


def texts_of(section: Section) -> list[str]:
    found = [section.title]
    for block in section.blocks:
        match block:
            case Section():
                found += texts_of(block)
            case Text():
                found.append(block.text)
            case Items():
                found += block.items
            case Table():
                found += [column.name for column in block.columns]
                found += [cell for row in block.rows for cell in row if len(cell) < 12]
    return found


@pytest.mark.parametrize("kind", RESULTS)
def test_everything_on_the_page_is_in_both_records(kind: str) -> None:
    page = page_of(RESULTS[kind]())
    pdf, html = text_of(pdf_of_page(page, written=WRITTEN)), html_of_page(page)
    said = [page.headline, page.state, *(text for section in page.sections for text in texts_of(section))]
    assert [text for text in said if letters(text) not in pdf] == []
    assert all(text in html for text in said if text.isalnum())


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])  # ISO 216, ANSI
def test_the_sheet_is_the_one_that_was_asked_for(paper: Paper, size_mm: tuple[float, float]) -> None:
    pdf = pdf_of_page(page_of(made.clean()), written=WRITTEN, paper=paper)
    box = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size_mm, abs=0.1)


def test_the_record_can_be_leafed_through_by_its_sections() -> None:
    page = page_of(made.one_branch())
    outline = pypdf.PdfReader(io.BytesIO(pdf_of_page(page, written=WRITTEN))).outline
    assert [entry.title for entry in outline] == [section.title for section in page.sections]  # type: ignore[union-attr]


def test_hostile_names_do_not_stop_it() -> None:
    assert "<script>alert(1)</script>" in text_of(pdf_of_page(page_of(made.hostile()), written=WRITTEN))


def test_it_runs_nothing_and_fetches_nothing() -> None:
    pdf = pdf_of_page(page_of(made.hostile()), written=WRITTEN)
    assert not re.search(rb"/(JavaScript|JS|Launch|URI|OpenAction\s*<<)", pdf)


def test_letters_that_no_font_has_are_drawn_as_boxes(tmp_path: Path) -> None:
    page = build_page(made.clean(), provenance(made.clean(), "測試 🚜"), {"note": "掃除車"}, WRITTEN)
    assert pdf_of_page(page, written=WRITTEN).startswith(b"%PDF-")


def test_a_name_that_no_font_can_draw_does_not_end_the_pdf(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    folder = root / "captures" / "street_sweeper"
    text = (folder / "machine.toml").read_text(encoding="utf-8").replace('"hopper', '"\N{TRACTOR} hopper')
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    result = postmortem([folder / "capture.log.gz"], machine_file=tmp_path / "machine.toml")
    write_pdf(result, tmp_path / "record.pdf", command="")
    assert (tmp_path / "record.pdf").read_bytes().startswith(b"%PDF")
