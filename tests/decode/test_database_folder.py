"""Several databases for one bus, a folder of them, diagnostics apart; and one line on what came of each."""

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.decode.database.bus_of_file import split_bus, with_bus
from busdoc.decode.database.database import load_databases
from busdoc.errors import InputError
from busdoc.session.folder import SessionFolder, read_session
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
    assert loaded.warnings == (
        "two.kcd describes 2 buses (Front, Rear), and its messages are looked for on every channel;"
        " one alone is given as two.kcd:Front",
    )
    assert len(loaded.messages) == 2


def test_one_bus_of_a_file_is_used_alone_in_any_case_and_bound_to_its_channel(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    for named in (tmp_path / "two.kcd:Rear", str(tmp_path / "two.kcd:rear")):
        loaded = load_databases([Path(named)])
        assert [message.name for message in loaded.messages] == ["B"]
        assert (loaded.warnings, loaded.files[0].bus, loaded.files[0].path.name) == ((), "Rear", "two.kcd")
        assert load_databases([loaded.files[0].given]).files == loaded.files
    each = load_databases([(0, tmp_path / "two.kcd:Front"), ("can1", tmp_path / "two.kcd:Rear")])
    assert [(message.channel, message.name) for message in each.messages] == [(0, "A"), ("can1", "B")]
    assert each.find(1, 0x101, extended=False) is None


def test_a_bus_that_a_file_has_not_is_refused_and_those_that_it_has_are_named(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    with pytest.raises(InputError, match=r'found "Left"\. Name one of its buses behind the file: Front and Rear\.'):
        load_databases([tmp_path / "two.kcd:Left"])
    with pytest.raises(InputError, match=r"found one that names no bus\. Give the file alone\."):
        load_databases([DATABASE.with_name(f"{DATABASE.name}:Left")])
    with pytest.raises(InputError, match=r"none\.kcd: "):
        load_databases([tmp_path / "none.kcd:Front"])


@pytest.mark.skipif(sys.platform == "win32", reason="no name of a file has a colon there")
def test_a_file_whose_own_name_has_a_colon_is_that_file(tmp_path: Path) -> None:
    (tmp_path / "two.kcd:Rear.kcd").write_text(TWO_BUSES, encoding="utf-8")
    assert len(load_databases([tmp_path / "two.kcd:Rear.kcd"]).messages) == 2


@given(
    folder=st.sampled_from(["", "C:/maps/", "/a:b/", "x.dbc/"]),
    stem=st.text("abc._ -:", min_size=1, max_size=8),
    suffix=st.sampled_from([".kcd", ".ARXML", ".dbc"]),
    bus=st.text("AbC 1_:", max_size=6),
)
def test_a_bus_that_was_written_behind_a_file_is_read_back(folder: str, stem: str, suffix: str, bus: str) -> None:
    file = Path(f"{folder}{stem}{suffix}")
    assert split_bus(with_bus(file, bus)) == (file, bus)


def test_the_line_on_databases_names_the_bus_and_so_does_the_document(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    frames = ((n, bus, 0x101 + bus) for n in range(200) for bus in (0, 1))
    lines = "".join(f"({1700000000 + n * 0.1:.6f}) can{bus} {frame:03X}#00\n" for n, bus, frame in frames)
    (tmp_path / "c.log").write_text(lines, encoding="ascii", newline="\n")
    both = ("--db", f"0={tmp_path / 'two.kcd'}:Front", "--db", f"1={tmp_path / 'two.kcd'}:Rear")
    _, out, err = typed("postmortem", tmp_path / "c.log", *both, columns=200)
    assert err == ""
    assert "two.kcd, bus Front on 0 (1 of its 1 message was heard)" in " ".join(out.split())
    assert "two.kcd, bus Rear on 1 (1 of its 1 message was heard)" in " ".join(out.split())
    told = held_to_schema(typed("postmortem", tmp_path / "c.log", *both, "--json")[1])["databases"]
    assert [(one["bus"], one["buses"], one["heard"]) for one in told] == [
        ("Front", ["Front"], 1),
        ("Rear", ["Rear"], 1),
    ]
    _, out, _ = typed("postmortem", tmp_path / "c.log", "--db", tmp_path / "two.kcd", columns=200)
    assert "two.kcd with its buses Front and Rear (2 of its 2 messages were heard)" in " ".join(out.split())
    status, out, err = typed("postmortem", tmp_path / "c.log", "--db", f"{tmp_path / 'two.kcd'}:Left")
    assert (status, out, err.count("\n")) == (2, "", 1)


def test_a_session_keeps_the_bus_that_was_chosen(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    chosen: list[Path | tuple[int | str, Path]] = [
        ("can0", tmp_path / "two.kcd:Front"),
        tmp_path / "two.kcd:Rear",
        DATABASE,
    ]
    folder = SessionFolder(tmp_path / "s", databases=chosen)
    kept = folder.databases
    folder.recording.mkdir()
    folder.close()
    assert [message.name for message in load_databases(kept).messages if message.bus] == ["A", "B"]
    assert read_session(tmp_path / "s").databases == kept


def test_a_fleet_refuses_one_bus_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "two.kcd").write_text(TWO_BUSES, encoding="utf-8")
    status, out, err = typed("fleet", tmp_path, "-o", tmp_path / "park", "--db", f"{tmp_path / 'two.kcd'}:Rear")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "Give the file alone" in err
