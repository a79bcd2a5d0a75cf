"""What is quoted from files and from the bus neither moves the cursor nor rings, wherever it is written."""

import io
import unicodedata
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from busdoc.cli.environment import Surroundings
from busdoc.cli.status_line import StatusLine
from busdoc.words.printable import PrintableStream
from tests.typed import typed

CAPTURE = Path(__file__).parents[2] / "captures" / "street_sweeper" / "capture.log.gz"
ESCAPES = "\x1b]0;OWNED\x07\x1b[2J\x9b31mhello\u202egnp"  # ECMA-48: a title, erase, a colour; Unicode's bidi override


@given(text=st.text())
def test_no_control_letter_but_the_line_end_comes_through(text: str) -> None:
    out = io.StringIO()
    PrintableStream(out).write(text)
    assert all(letter == "\n" or unicodedata.category(letter) not in ("Cc", "Cf", "Cs") for letter in out.getvalue())
    assert len(out.getvalue()) == len(text)


def test_a_line_that_is_drawn_anew_is_cleaned_and_still_moves_back() -> None:
    out = io.StringIO()
    StatusLine(Surroundings(stdout=out).stdout).draw(ESCAPES)
    assert out.getvalue().startswith("\r")
    assert "\x1b" not in out.getvalue()
    assert "hello" in out.getvalue()


def test_escapes_in_a_note_and_in_a_name_reach_no_terminal(tmp_path: Path) -> None:
    journal = tmp_path / "a.csv"
    journal.write_text(
        f"time,action,part,into,uncertainty_s,note\n+20,unplug,{ESCAPES},,,{ESCAPES}\n", encoding="utf-8"
    )
    for words in (("postmortem", CAPTURE, "--actions", journal), ("postmortem", tmp_path / f"x{ESCAPES}.log")):
        _, out, err = typed(*words)
        assert "\x1b" not in out + err
        assert "\x9b" not in out + err
        assert "hello" in out + err


def test_escapes_in_a_database_that_is_refused_reach_no_terminal(tmp_path: Path) -> None:
    database = tmp_path / "d.dbc"
    database.write_text(f'VERSION ""\nBO_ 1 {ESCAPES}X: 8 A\n', encoding="utf-8")
    status, out, err = typed("postmortem", CAPTURE, "--db", database)
    assert (status, out) == (2, "")
    assert "\x1b" not in err
