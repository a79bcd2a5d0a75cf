"""The Python API: few plain calls, loaded when first used."""

import inspect
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

import busdoc
from busdoc import api
from tests.report import record_results as made


def in_fresh_interpreter(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False)


def test_importing_the_package_loads_nothing_else() -> None:
    code = "import sys\nimport busdoc\nsys.exit(' '.join(m for m in sys.modules if m.startswith('busdoc.')) or 0)"
    finished = in_fresh_interpreter(code)
    assert finished.returncode == 0, finished.stderr


def test_everything_that_the_api_offers_is_offered_by_the_package() -> None:
    assert set(busdoc.__all__) == set(api.__all__)
    for name in busdoc.__all__:
        assert getattr(busdoc, name) is getattr(api, name)


def test_what_is_listed_is_what_is_offered_and_nothing_else() -> None:
    assert dir(busdoc) == sorted([*busdoc.__all__, "__version__"])


def test_every_call_is_documented() -> None:
    for name in busdoc.__all__:
        assert (getattr(api, name).__doc__ or "").strip(), name


def test_a_name_that_is_not_offered_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'premortem'"):
        busdoc.premortem  # noqa: B018


def test_a_module_of_the_same_name_does_not_hide_the_call() -> None:
    finished = in_fresh_interpreter(
        "from busdoc.analysis.postmortem import postmortem as engine\nimport busdoc\n"
        "assert callable(busdoc.postmortem), busdoc.postmortem\nassert busdoc.postmortem is not engine"
    )
    assert finished.returncode == 0, finished.stderr


def test_a_report_is_written_as_its_suffix_says(tmp_path: Path) -> None:
    page = busdoc.write_report(made.clean(), tmp_path / "record.html")
    paper = busdoc.write_report(made.clean(), str(tmp_path / "record.PDF"), paper="Letter")
    assert page.read_bytes().startswith(b"<!DOCTYPE html>")
    width, height = PdfReader(paper).pages[0].mediabox[2:]
    assert (round(float(width)), round(float(height))) == (612, 792)  # 8.5 by 11 inches (ANSI/ASME Y14.1, size A)


def test_a_sheet_that_is_not_printed_on_is_refused(tmp_path: Path) -> None:
    with pytest.raises(busdoc.InputError, match="A4 or Letter"):
        busdoc.write_report(made.clean(), tmp_path / "record.pdf", paper="A5")  # type: ignore[arg-type]  # as typed


@pytest.mark.parametrize("name", ["record.doc", "record"])
def test_a_report_of_another_kind_is_refused_in_a_sentence(tmp_path: Path, name: str) -> None:
    with pytest.raises(busdoc.InputError, match=r"expected a report that ends in \.html or \.pdf"):
        busdoc.write_report(made.clean(), tmp_path / name)


def test_a_journal_counts_from_the_start_of_its_capture(tmp_path: Path) -> None:
    log, journal = tmp_path / "a.log", tmp_path / "actions.csv"
    log.write_text("(1700000000.500000) can0 123#11\n(1700000001.000000) can0 123#11\n", encoding="utf-8")
    journal.write_text("time,action,part,into,uncertainty_s,note\n+2.25,plug,harness-A,,0.5,\n", encoding="utf-8")
    read = busdoc.load_journal(journal, capture=busdoc.open_capture(log))
    assert [action.time_ns for action in read.actions] == [1_700_000_002_750_000_000]


def test_a_capture_is_opened_by_name_or_by_path(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("(1700000000.500000) can0 123#11\n", encoding="utf-8")
    for given in (str(log), log, [log], [str(log)]):
        assert sum(len(block) for block in busdoc.open_capture(given).blocks()) == 1


def test_databases_are_given_one_several_or_by_channel() -> None:
    dbc = Path(__file__).parents[2] / "dbc_examples" / "street_sweeper.dbc"
    alone = busdoc.load_databases(dbc)
    bound = busdoc.load_databases([(0, dbc)])
    assert len(alone.messages) == len(bound.messages) > 0
    assert {message.channel for message in bound.messages} == {0}


def test_the_three_calls_that_read_a_recording_take_the_same_things() -> None:
    def taken(call: Callable[..., object]) -> dict[str, inspect.Parameter]:
        return dict(inspect.signature(call).parameters)

    shared = {name: one for name, one in taken(busdoc.postmortem).items() if name != "symptom"}
    assert taken(busdoc.resync) == taken(busdoc.postmortem)
    assert {name: one for name, one in taken(busdoc.baseline).items() if name != "name"} == shared


def test_the_post_mortem_isolates_the_symptom_that_is_asked_for() -> None:
    captures = Path(__file__).parents[2] / "captures"
    result = busdoc.postmortem(
        captures / "sweeper_code" / "capture.log.gz",
        machine=captures / "street_sweeper" / "machine.toml",
        journal=captures / "sweeper_code" / "actions.csv",
        symptom="code:hopper:3509/4",
    )
    assert result.complaint is not None
    assert result.complaint.name == "code:hopper:SPN 3509 FMI 4"


def test_a_map_that_was_learnt_gives_the_recording_it_was_learnt_from_no_fault(tmp_path: Path) -> None:
    capture = Path(__file__).parents[2] / "captures" / "sweeper_feed" / "capture.log.gz"
    learnt = busdoc.baseline(capture, name="Street sweeper")
    (tmp_path / "learnt.toml").write_text(learnt.text, encoding="utf-8", newline="\n")
    found = busdoc.resync(capture, machine=tmp_path / "learnt.toml")
    mapped = set(busdoc.load_machine(tmp_path / "learnt.toml").controllers)
    assert mapped == {one.name for one in found.health.controllers}
    assert not found.changes
