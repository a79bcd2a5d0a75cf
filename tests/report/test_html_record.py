"""The HTML record: self-contained, escaped, light, and true to the result."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest

from busdoc.analysis.result import Result
from busdoc.errors import InputError
from busdoc.report.json.document import document
from busdoc.report.record.html import html, prepare, write_html
from busdoc.report.record.provenance import file_hash
from busdoc.words.probability import odds
from tests.report import record_results as made

WRITTEN = datetime(2024, 5, 6, 7, 8, tzinfo=UTC)
RESULTS = {"clean": made.clean, "one branch": made.one_branch, "intermittent": made.intermittent}


class Elements(HTMLParser):
    """Every element with its attributes, and the text outside of `style`."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.unbalanced: list[str] = []
        self.texts: list[str] = []
        self.style = ""

    VOID = ("meta", "input", "br", "path", "use", "rect")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in ("meta", "input", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.style += data
        else:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def read(result: Result, **options: object) -> Elements:
    elements = Elements()
    elements.feed(html(result, written=WRITTEN, command="busdoc postmortem x.log", **options))  # type: ignore[arg-type]
    elements.close()
    return elements


@pytest.mark.parametrize("kind", RESULTS)
def test_every_element_is_closed_in_its_turn(kind: str) -> None:
    elements = read(RESULTS[kind]())
    assert elements.unbalanced == []
    assert elements.open == []


@pytest.mark.parametrize("kind", RESULTS)
def test_nothing_is_fetched_and_nothing_runs(kind: str) -> None:
    elements = read(RESULTS[kind]())
    assert not {tag for tag, _ in elements.found} & {"script", "link", "img", "iframe", "object", "embed", "base"}
    for tag, attributes in elements.found:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("href", "xlink:href", "src"):
                assert value is not None
                assert value.startswith("#"), (tag, value)
    assert "url(" not in elements.style
    assert "@import" not in elements.style


def test_the_browser_is_told_to_fetch_and_run_nothing() -> None:
    policies = [a for tag, a in read(made.clean()).found if tag == "meta" and "http-equiv" in a]
    assert policies[0]["content"] == "default-src 'none'; style-src 'unsafe-inline'"


@pytest.mark.parametrize("kind", RESULTS)
def test_no_two_elements_share_a_name(kind: str) -> None:
    names = [attributes["id"] for _, attributes in read(RESULTS[kind]()).found if "id" in attributes]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("kind", RESULTS)
def test_every_reference_inside_the_page_leads_somewhere(kind: str) -> None:
    text = html(RESULTS[kind](), written=WRITTEN)
    names = set(re.findall(r'\bid="([^"]+)"', text))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= names
    assert set(re.findall(r"url\(#([^)]+)\)", text)) <= names


@pytest.mark.parametrize("kind", RESULTS)
def test_every_picture_says_in_words_what_it_shows(kind: str) -> None:
    text = html(RESULTS[kind](), written=WRITTEN)
    pictures = re.findall(r"<svg .*?</svg>", text, re.DOTALL)
    assert pictures
    for picture in pictures:
        assert re.match(r'<svg [^>]*role="img">\s*<title>[^<]+</title>\s*<desc>[^<]+</desc>', picture)


def test_a_hostile_name_is_shown_and_not_run() -> None:
    elements = read(made.hostile(), fields={made.HOSTILE: made.HOSTILE})
    assert not {tag for tag, _ in elements.found} & {"script", "img"}
    assert not [name for _, attributes in elements.found for name in attributes if name.startswith("on")]
    assert elements.text.count("<script>alert(1)</script>") > 20
    assert elements.unbalanced == []


def test_characters_without_a_shape_are_replaced() -> None:
    text = html(made.hostile(), written=WRITTEN, fields={made.HOSTILE: made.HOSTILE}, command=made.HOSTILE)
    assert "\x00" not in text
    assert "\u202e" not in text


def test_the_verdict_comes_before_everything_else() -> None:
    result = made.one_branch()
    text = read(result).text
    headline = document(result)["headline"]
    assert text.index(headline) < text.index("Serial number") < text.index("What happened")


def test_the_technicians_fields_go_before_those_of_the_map() -> None:
    text = read(made.one_branch(), fields={"hours": "4300", "work_order": "A-17"}).text
    assert "4300" in text
    assert "4211" not in text
    assert "Work order A-17" in text
    assert "Serial number SW-000-7" in text


@pytest.mark.parametrize("kind", RESULTS)
def test_the_numbers_are_those_of_the_json(kind: str) -> None:
    result = RESULTS[kind]()
    tree = document(result)
    text = read(result).text
    assert f"{tree['capture']['frames']:,} frames" in text
    for channel in tree["capture"]["channels"]:
        mean, peak = 100 * channel["load"], 100 * channel["peak_load"]
        assert f"load {mean:.1f} % on average, {peak:.1f} % in the busiest second" in text
    for suspect in tree.get("suspects", []):
        name = "elsewhere (no part on the map)" if suspect["part"] == "elsewhere" else suspect["part"]
        assert f"{name} {odds(suspect['probability'])}" in text
    for incident in tree["incidents"][:10]:
        if incident["because"] is not None:
            assert f"(action {incident['because']['action']}" in text


def test_returns_before_and_after_the_repair_stand_side_by_side() -> None:
    text = read(made.one_branch()).text
    assert re.search(r"hopper\s+11\.25 s FAIL\s+2\.50 s", text)
    assert re.search(r"Replacing gate-angle \(action 4\)\. Last before it, power-up 1: FAIL", text)
    assert "First after it, power-up 2: PASS: all 2 back in step after 2.5 s, hopper last." in text
    assert "hopper is in step after 11.2 s, it used to take 2.4 s" in text
    tree = document(made.one_branch())["resync"]
    took = [one["controllers"][1]["steady_s"] - one["first_frame_s"] for one in tree]
    assert [f"{seconds:.2f} s" in text for seconds in took] == [True, True]


def test_every_part_that_the_record_must_hold_is_there() -> None:
    titles = [attributes["id"] for tag, attributes in read(made.one_branch()).found if tag == "section"]
    assert [title for title in titles if title is not None and not title.startswith("incident-")] == [
        "controllers", "incidents", "actions", "trials", "suspects", "cleared", "next", "returns", "codes", "wire",
        "data", "method", "cautions", "repeat",
    ]  # fmt: skip


def test_a_clean_machine_accuses_nobody() -> None:
    elements = read(made.clean())
    assert "No trouble found" in elements.text
    assert "suspects" not in {attributes.get("id") for _, attributes in elements.found}


def test_ten_hours_with_two_hundred_incidents_stay_under_five_megabytes() -> None:
    text = html(made.intermittent(200, hours=10), written=WRITTEN)
    assert len(text.encode()) < 5_000_000
    assert text.count("<svg ") < 30


def test_many_incidents_of_all_different_kinds_stay_light() -> None:
    result = made.intermittent(200)
    different = tuple(replace(one, controllers=(f"unit-{k}",)) for k, one in enumerate(result.incidents))
    text = html(replace(result, incidents=different), written=WRITTEN)
    assert len(text.encode()) < 5_000_000
    assert text.count("<svg ") < 30


def test_the_same_result_gives_the_same_file() -> None:
    assert html(made.one_branch(), written=WRITTEN) == html(made.one_branch(), written=WRITTEN)


def test_the_files_are_named_with_their_hashes(tmp_path: Path) -> None:
    capture = tmp_path / "capture.log"
    capture.write_bytes(b"abc")  # FIPS 180-2, appendix B.1: the hash of "abc"
    result = made.clean()
    text = read(replace(result, capture=replace(result.capture, files=(capture,)))).text
    assert "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" in text


def test_a_file_that_is_gone_since_is_said_to_be() -> None:
    assert "could not be read again" in read(made.clean()).text


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match=r"record\.html"):
        write_html(made.clean(), tmp_path / "file" / "record.html", command="")


def test_an_empty_result_gives_a_record_too() -> None:
    result = made.clean()
    nothing = replace(result, health=replace(result.health, controllers=(), wire=(), frames=0, until_ns=made.START_NS))
    assert "No controller was recognised" in read(nothing).text


def test_a_file_that_changed_is_hashed_anew(tmp_path: Path) -> None:
    capture = tmp_path / "capture.log"
    capture.write_bytes(b"abc")
    prepare([capture, tmp_path / "gone"]).join()
    first = file_hash(capture)
    capture.write_bytes(b"abcd")
    assert file_hash(capture) != first
