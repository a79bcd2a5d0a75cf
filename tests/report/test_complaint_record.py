"""The complaint in every rendering: headline, terminal, record and JSON say the same of the sweeper's second story."""

from dataclasses import replace
from functools import cache
from pathlib import Path

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.report.json.document import document
from busdoc.report.record.html import write_html
from busdoc.report.terminal.terminal import Extent, render
from busdoc.report.words.headline import headline
from busdoc.symptoms.symptom import SymptomKind

ROOT = Path(__file__).parents[2]


@cache
def story() -> Result:
    folder = ROOT / "captures" / "sweeper_code"
    return postmortem(
        [folder / "capture.log.gz"],
        databases=[ROOT / "dbc_examples" / "street_sweeper.dbc"],
        machine_file=ROOT / "captures" / "street_sweeper" / "machine.toml",
        journal_file=folder / "actions.csv",
    )


def test_the_headline_tells_what_showed_how_it_goes_and_which_part() -> None:
    said = headline(story())
    assert "No controller was lost" in said
    assert "SPN 3509 FMI 4 of hopper came 3 times, and does not show now; it stays until the power is cycled." in said
    assert "of them answer to plugging harness-A in (action 9, over 99 %)" in said
    assert "no action explains the other." in said
    assert "Repair proved: gate-angle was replaced" in said


def test_the_terminal_lists_when_it_showed_and_how_well_that_is_known() -> None:
    text = render(story(), width=100, extent=Extent.ALL)
    assert "The complaint\n" in text
    assert text.count("came (within the ") == 3


def test_the_record_has_a_section_and_a_row_in_the_first_picture(tmp_path: Path) -> None:
    path = tmp_path / "record.html"
    write_html(story(), path, command="busdoc postmortem")
    page = path.read_text(encoding="utf-8")
    assert "When it showed" in page
    assert "Last row, the complaint" in page
    assert "plugging gate-angle in" in page


def test_the_document_gives_spans_with_their_uncertainty_and_answers() -> None:
    tree = document(story())
    (one,) = [symptom for symptom in tree["symptoms"] if symptom["name"] == tree["complaint"]]
    assert one["name"] == "code:hopper:SPN 3509 FMI 4"
    assert [span["because"] and span["because"]["action"] for span in one["spans"]] == [None, 9, 12]
    assert all(0.0 <= span["from_uncertainty_s"] <= 1.0 for span in one["spans"])
    assert one["p_latches"] > 0.8
    assert len(one["observable"]) == 4  # the power was off three times


def test_the_codes_incidents_answer_to_the_same_actions() -> None:
    tree = document(story())
    raised = [one for one in tree["incidents"] if one["code"] == "SPN 3509 FMI 4"]
    assert [one["because"] and one["because"]["action"] for one in raised] == [None, 9, 12]


def test_other_symptoms_are_told_beside_the_complaint_and_as_coming_apart_where_they_do() -> None:
    complaint = story().complaint
    assert complaint is not None
    lamp = replace(complaint, kind=SymptomKind.SEEN, name="seen:red lamp", controller=None, codes=())
    beside = replace(story(), symptoms=(*story().symptoms, lamp))
    assert 'What else showed\n  What was seen ("red lamp") came 3 times' in render(beside, width=100)
    apart = render(replace(beside, apart=(lamp,)), width=100)
    assert "What else showed" not in apart
    assert "came 3 times apart from it, so it may have a fault of its own" in " ".join(apart.split())
    assert '--symptom "seen:red lamp"' in apart
    assert document(replace(beside, apart=(lamp,)))["apart"] == ["seen:red lamp"]
