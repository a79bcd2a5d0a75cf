"""Several databases for one bus, a folder of them, diagnostics apart; and one line on what came of each."""

from pathlib import Path

import pytest

from busdoc.decode.database.database import load_databases
from busdoc.errors import InputError
from tests.documents import held_to_schema
from tests.typed import typed

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper" / "capture.log.gz"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"

CDD = """<?xml version="1.0" encoding="utf-8"?>
<CANDELA dtdvers="8.0.0"><ECUDOC><DATATYPES/><ECU id="_1"><VAR id="_2"/></ECU></ECUDOC></CANDELA>
"""
TWO_BUSES = """<?xml version="1.0" encoding="UTF-8"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Document name="two"/>
  <Bus name="Front"><Message id="0x101" length="1" name="A"><Signal name="X" offset="0" length="8"/></Message></Bus>
  <Bus name="Rear"><Message id="0x102" length="1" name="B"><Signal name="Y" offset="0" length="8"/></Message></Bus>
</NetworkDefinition>
"""


def split_in_two(folder: Path) -> None:
    """Write the sweeper's database as two files, as a maker has one for the engine and one for the rest."""
    head, *messages = DATABASE.read_text(encoding="utf-8").split("\nBO_ ")
    last, _, tail = messages[-1].partition("\n\n")
    messages[-1] = last
    tail = "\n".join(line for line in tail.splitlines() if line.startswith("BA_DEF"))
    for name, part in (("engine.dbc", messages[::2]), ("body.DBC", messages[1::2])):
        text = head + "".join(f"\nBO_ {message.rstrip()}\n" for message in part) + "\n" + tail + "\n"
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def test_a_folder_is_all_the_databases_in_it(tmp_path: Path) -> None:
    split_in_two(tmp_path)
    (tmp_path / "notes.txt").write_text("no database\n", encoding="utf-8")
    (tmp_path / "._engine.dbc").write_bytes(b"\0\5\26\7")
    both = load_databases([tmp_path])
    assert {message.name for message in both.messages} == {one.name for one in load_databases([DATABASE]).messages}
    assert [file.path.name for file in both.files] == ["body.DBC", "engine.dbc"]
    bound = load_databases([("can0", tmp_path)])
    assert {message.channel for message in bound.messages} == {"can0"}


def test_a_file_of_a_folder_that_cannot_be_used_costs_only_itself(tmp_path: Path) -> None:
    split_in_two(tmp_path)
    (tmp_path / "broken.kcd").write_text("<NetworkDefinition>\n", encoding="utf-8")
    loaded = load_databases([tmp_path])
    assert loaded.messages
    assert any(text.startswith("broken.kcd is not used: ") for text in loaded.warnings)
    (why_not,) = [file.why_not for file in loaded.files if file.path.name == "broken.kcd"]
    assert why_not == "it cannot be read"


def test_a_folder_of_which_nothing_can_be_used_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="found a folder without one"):
        load_databases([tmp_path])
    (tmp_path / "broken.kcd").write_text("<NetworkDefinition>\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"broken\.kcd"):
        load_databases([tmp_path])


def test_one_line_says_what_was_used_what_not_and_why(tmp_path: Path) -> None:
    split_in_two(tmp_path)
    (tmp_path / "crane.dbc").write_text('VERSION ""\nBU_: crane\nBO_ 17 Hook: 8 crane\n', encoding="utf-8")
    (tmp_path / "faults.cdd").write_text(CDD, encoding="utf-8")
    status, out, err = typed("postmortem", SWEEPER, "--db", tmp_path, columns=160)
    assert (status, err) == (1, "")
    line = " ".join(out.partition("Databases used: ")[2].partition("\n  !")[0].split())
    assert line.startswith("body.DBC (")
    assert "engine.dbc (" in line
    assert "crane.dbc (none of its messages was heard)" in line
    assert "faults.cdd (it holds diagnostic data and no messages)" in line
    told = held_to_schema(typed("postmortem", SWEEPER, "--db", tmp_path, "--json")[1])["databases"]
    assert {Path(one["file"]).name: one["why_not"] is None for one in told} == {
        "body.DBC": True,
        "engine.dbc": True,
        "crane.dbc": False,
        "faults.cdd": False,
    }
    whole = held_to_schema(typed("postmortem", SWEEPER, "--db", DATABASE, "--json")[1])["databases"]
    assert sum(one["heard"] for one in told) == whole[0]["heard"] > 5


def test_a_file_of_several_buses_says_so(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    loaded = load_databases([tmp_path / "two.kcd"])
    assert any("describes 2 buses (Front, Rear)" in text for text in loaded.warnings)
    assert len(loaded.messages) == 2
