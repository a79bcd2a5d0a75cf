"""Times of day in the zone that was asked for, by the IANA time zone database, and UTC otherwise; always said which."""

import json
from pathlib import Path

import pytest
from pypdf import PdfReader

from tests.typed import typed

LINES = "".join(
    f"({1772435640 + k // 10}.{k % 10}00000) can0 18FF00{who:02X}#0000000000000000\n"
    for k in range(120)
    for who in (1, 2)
    if who == 2 or not 40 <= k < 60
)
"""From 2026-03-02 07:14:00 UTC: one controller of two falls."""


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "short.log"
    path.write_text(LINES, encoding="ascii")
    return path


# Distances from UTC on that day: Berlin +1 h, Kolkata +5:30, St. John's -3:30 (IANA time zone database)
@pytest.mark.parametrize(
    ("zone", "start"),
    [
        ((), "2026-03-02 07:14:00 UTC."),
        (("--zone", "utc"), "2026-03-02 07:14:00 UTC."),
        (("--zone", "Europe/Berlin"), "2026-03-02 08:14:00 Europe/Berlin (UTC+01:00)."),
        (("--zone", "Asia/Kolkata"), "2026-03-02 12:44:00 Asia/Kolkata (UTC+05:30)."),
        (("--zone", "America/St_Johns"), "2026-03-02 03:44:00 America/St_Johns (UTC-03:30)."),
    ],
)
def test_the_text_is_in_the_zone_that_was_asked_for_and_says_which(
    capture: Path, zone: tuple[str, ...], start: str
) -> None:
    _, out, _ = typed("postmortem", capture, *zone)
    assert start in " ".join(out.split())
    name = start[len("2026-03-02 07:14:00 ") : -1]
    assert f"times of day are {name}" in " ".join(out.split())


def test_the_document_keeps_its_times_and_names_the_zone(capture: Path) -> None:
    plain, moved = (
        json.loads(typed("postmortem", capture, "--json", *zone)[1]) for zone in ((), ("--zone", "Asia/Kolkata"))
    )
    assert plain["capture"].pop("zone") == "UTC"
    assert moved["capture"].pop("zone") == "Asia/Kolkata"
    assert moved["capture"] == plain["capture"]
    assert [one["last_seen_s"] for one in moved["incidents"]] == [one["last_seen_s"] for one in plain["incidents"]]


def test_page_and_paper_are_in_the_zone_too(capture: Path, tmp_path: Path) -> None:
    page, paper = tmp_path / "page.html", tmp_path / "paper.pdf"
    for path in (page, paper):
        typed("postmortem", capture, "--zone", "Asia/Kolkata", "--report", path)
    text = page.read_text(encoding="utf-8")
    assert "from 12:44:00 Asia/Kolkata (UTC+05:30)" in text
    assert "07:14:0" not in text
    first = " ".join(PdfReader(paper).pages[0].extract_text().split())
    assert "12:44:00" in first
    assert "Asia/Kolkata" in first


@pytest.mark.parametrize(
    ("typed_name", "advice"),
    [
        ("europe/berlin", 'Did you mean "Europe/Berlin"?'),
        ("Berlin", 'Did you mean "Europe/Berlin"?'),
        ("New York", 'Did you mean "America/New_York"?'),
        ("Europe/Berlim", 'Did you mean "Europe/Berlin"?'),
        ("", "Write UTC, or local."),
        ("../../etc/passwd", "Write UTC, or local."),
    ],
)
@pytest.mark.parametrize("command", ["postmortem", "resync"])
def test_an_unknown_zone_is_one_sentence(capture: Path, command: str, typed_name: str, advice: str) -> None:
    status, out, err = typed(command, capture, "--zone", typed_name)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.endswith(f"{advice}\n")


def test_one_command_leaves_no_zone_to_the_next(capture: Path) -> None:
    typed("postmortem", capture, "--zone", "Asia/Kolkata")
    assert "07:14:00 UTC" in typed("postmortem", capture)[1]
