"""The action journal: times on the capture's clock, lenience, bad lines named, and what is written reads back."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.actions.action import Action, ActionKind
from busdoc.actions.journal import Journal, journal_from_text, journal_text, load_journal, write_journal
from busdoc.errors import InputError
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text

HEADER = "time,action,part,into,uncertainty_s,note\n"
START = 1_772_359_200_000_000_000  # 2026-03-01T10:00:00Z
SWEEPER = machine_from_text(
    """
[[part]]
name = "fuse-3"
kind = "feed"
[[controller]]
name = "hopper"
into = "fuse-3"
[[part]]
name = "harness-A"
kind = "harness"
into = "hopper:A"
[[part]]
name = "harness-B"
kind = "harness"
into = "hopper:B"
[[part]]
name = "gate-angle"
kind = "sensor"
into = "harness-A:gate"
""",
    "machine.toml",
)


def read(lines: str, machine: Machine = SWEEPER, *, start_ns: int = START, epoch: bool = True) -> Journal:
    return journal_from_text(HEADER + lines, "actions.csv", machine, start_ns=start_ns, epoch=epoch)


def time_of(text: str, *, start_ns: int = START, epoch: bool = True) -> int:
    (action,) = read(f"{text},mark,,,,\n", start_ns=start_ns, epoch=epoch).actions
    return action.time_ns


def refusal(line: str, machine: Machine = SWEEPER, *, epoch: bool = True) -> str:
    with pytest.raises(InputError) as caught:
        read(line + "\n", machine, epoch=epoch)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "t_ns"),
    [
        ("1772359200.000000001", START + 1),
        ("1772359200.1234567899", START + 123_456_789),
        ("2026-03-01T10:00:00Z", START),
        ("2026-03-01T11:00:00.5+01:00", START + 500_000_000),
        ("2026-03-01 05:30:00-0430", START),
        ("20260301T100000Z", START),
        ("2026-03-01T10:00Z", START),
        ('"2026-03-01T10:00:00,25Z"', START + 250_000_000),
        ("+12.5", START + 12_500_000_000),
        ("+0.000000001", START + 1),
        ("-1.5", START - 1_500_000_000),
        ("12.5", START + 12_500_000_000),
    ],
)
def test_a_time_is_placed_to_the_nanosecond(text: str, t_ns: int) -> None:
    assert time_of(text) == t_ns


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-03-01T10:00:00", "with its zone"),
        ("2026-02-30T10:00:00Z", "expected a time"),
        ("2026-03-01T25:00:00Z", "expected a time"),
        ("1772359200000", "milliseconds"),
        ("1.77e9", "expected a time"),
        ("noon", "expected a time"),
        ("", "found nothing"),
        ("٣٤", "expected a time"),
    ],
)
def test_a_text_that_is_no_time_is_refused_with_advice(text: str, words: str) -> None:
    assert words in refusal(f"{text},mark,,,,")


@pytest.mark.parametrize("text", ["1772359200", "2026-03-01T10:00:00Z"])
def test_a_time_of_day_cannot_be_placed_in_a_capture_on_its_own_zero(text: str) -> None:
    message = refusal(f"{text},mark,,,,", epoch=False)
    assert "cannot be placed" in message
    assert "+12.5" in message


def test_a_number_on_the_captures_own_clock_is_read_with_a_warning() -> None:
    journal = read("12.5,mark,,,,\n", start_ns=3_000_000_000, epoch=False)
    assert journal.actions[0].time_ns == 12_500_000_000
    assert "the capture's own clock" in journal.warnings[0]


def test_ways_of_giving_the_time_may_be_mixed_and_order_is_by_time() -> None:
    journal = read("+3,mark,,,,c\n2026-03-01T10:00:01Z,mark,,,,a\n1772359202,mark,,,,b\n+3,mark,,,,d\n")
    assert [(action.n, action.note) for action in journal.actions] == [(1, "a"), (2, "b"), (3, "c"), (4, "d")]


def test_columns_may_stand_in_another_order_and_optional_ones_be_absent() -> None:
    journal = journal_from_text("part,time,action\nharness-A,+1,unplug\n", "j", SWEEPER, start_ns=0, epoch=False)
    assert (journal.actions[0].part, journal.actions[0].uncertainty_ns) == ("harness-A", 1_000_000_000)


@pytest.mark.parametrize("text", ["", "\n\n", "+1,unplug,harness-A\n", "time;what\n"])
def test_without_its_header_a_journal_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="time,action,part,into,uncertainty_s,note"):
        journal_from_text(text, "actions.csv", SWEEPER, start_ns=0, epoch=False)


def test_a_header_alone_is_an_empty_journal() -> None:
    assert read("") == Journal()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("+1,unplug,harnes-A,,,", 'found "harnes-A". Did you mean "harness-A"?'),
        ("+1,unplugg,harness-A,,,", 'Did you mean "unplug"?'),
        ("+1,unplug,,,,", "expected the part to unplug"),
        ("+1,power-off,hopper,,,", 'supplied by "fuse-3"'),
        ("+1,power-off,harness-A,,,", "expected a feed"),
        ("+1,swap,harness-A,,,", "expected the two parts that changed places"),
        ("+1,swap,harness-A,harness-A,,", "expected two parts"),
        ("+1,swap,harness-A,gate-angle,,", "one hangs on the other"),
        ("+1,swap,harness-A,hopper,,", "expected two parts alike"),
        ("+1,plug,harness-A,gate-angle:x,,", 'hangs on "harness-A" itself'),
        ("+1,plug,fuse-3,hopper,,", "expected another feed"),
    ],
)
def test_a_line_that_cannot_be_used_is_named(line: str, words: str) -> None:
    message = refusal(line)
    assert message.startswith("actions.csv, line 2:")
    assert words in message


def test_good_lines_are_used_and_bad_ones_counted() -> None:
    journal = read("+1,unplug,harness-A,,,\n+2,plug,nothing-such,,,\n+3,plug,harness-A,,,\n")
    assert [action.n for action in journal.actions] == [1, 2]
    assert journal.skipped == 1
    assert "line 3" in journal.warnings[0]


def test_many_bad_lines_are_named_only_at_first() -> None:
    journal = read("+1,unplug,harness-A,,,\n" + "x,mark,,,,\n" * 500)
    assert journal.skipped == 500
    assert len(journal.warnings) < 12


def test_names_are_found_whatever_their_case() -> None:
    assert read("+1,Unplug,HARNESS-a,,,\n").actions[0].part == "harness-A"


def test_a_map_without_parts_takes_any_name() -> None:
    assert read("+1,unplug,left branch,,,\n", Machine()).actions[0].part == "left branch"


def test_a_mark_keeps_what_is_no_part_as_its_remark() -> None:
    (action,) = read("+1,mark,boom raised,,2.5,at the gate\n").actions
    assert (action.part, action.note, action.uncertainty_ns) == (None, "boom raised at the gate", 2_500_000_000)


def test_a_wrong_uncertainty_costs_only_itself() -> None:
    journal = read("+1,unplug,harness-A,,about 2,\n")
    assert journal.actions[0].uncertainty_ns == 1_000_000_000
    assert "about 2" in journal.warnings[0]


def test_an_uncertainty_of_nothing_is_not_believed() -> None:
    assert read("+1,unplug,harness-A,,0,\n").actions[0].uncertainty_ns == 1_000_000


def test_a_note_may_hold_commas_and_line_breaks() -> None:
    journal = read('+1,unplug,harness-A,,,"first, then\nsecond"\n+2,plug,harness-A,,,\n')
    assert [action.note for action in journal.actions] == ["first, then second", ""]


def test_a_quote_that_is_never_closed_costs_one_line() -> None:
    journal = read('+1,unplug,harness-A,,,"open\n' + "+2,mark,,,,\n" * 40)
    assert len(journal.actions) >= 40


@pytest.mark.parametrize(
    ("raw", "warning"),
    [
        (b"\xef\xbb\xbftime,action,part\r\n+1,mark,\r\n\r\n", None),
        (b"sep=;\ntime;action;part;into;uncertainty_s;note\n+1,0;mark;;;0,5;M\xc3\xbcll\n;;;;;\n", "semicolons"),
        ("time\taction\tpart\n+1\tmark\t\n".encode("utf-16"), "UTF-16"),
        ("time,action,part,note\n+1,mark,,Kübel\n".encode("latin-1"), "Latin-1"),
        (b"time,action,part,who\n+1,mark,,me\n", "not read"),
        (b"time,action,part\r+1,mark,\r", None),
    ],
)
def test_what_a_spreadsheet_makes_of_it_is_read(tmp_path: Path, raw: bytes, warning: str | None) -> None:
    path = tmp_path / "actions.csv"
    path.write_bytes(raw)
    journal = load_journal(path, SWEEPER, start_ns=0, epoch=False)
    assert [action.time_ns for action in journal.actions] == [1_000_000_000]
    assert journal.skipped == 0
    told = " ".join(journal.warnings)
    assert (warning in told) if warning else not told


def test_actions_long_before_the_capture_are_told() -> None:
    assert "before the first frame" in read("2026-03-01T08:00:00Z,mark,,,,\n").warnings[0]


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="expected an action journal"):
        load_journal(tmp_path / "none.csv", SWEEPER, start_ns=0, epoch=True)


@pytest.mark.parametrize(
    "bomb",
    [
        "x\n" * 90_000,
        "x\n" * 1_000_000,
        "+1,unplug,zz\n" * 50_000,
        '"' * 1_000_000,
        '"a\n' * 90_000,
        "," * 1_000_000 + "a",
        "\0" * 1_000_000,
        "+" + "9" * 1_000_000 + ",mark,,,,",
    ],
)
def test_a_bomb_ends_in_a_sentence(bomb: str) -> None:
    try:
        journal = read(bomb)
    except InputError as error:
        sentences = [str(error)]
    else:
        sentences = list(journal.warnings)
    assert sum(map(len, sentences)) < 5000


names = st.sampled_from(["harness-A", "harness-B", "gate-angle", "hopper"])
notes = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=20)


@st.composite
def actions(draw: st.DrawFn) -> Action:
    kind = draw(st.sampled_from(ActionKind))
    part: str | None = draw(names)
    into: str | None = None
    if kind in (ActionKind.POWER_OFF, ActionKind.POWER_ON, ActionKind.POWER_CYCLE):
        part = draw(st.sampled_from([None, "fuse-3"]))
    elif kind is ActionKind.SWAP:
        part, into = "harness-A", "harness-B"
    elif kind is ActionKind.PLUG and part == "harness-A":
        into = draw(st.sampled_from([None, "hopper:A", "harness-B:x"]))
    elif kind is ActionKind.MARK:
        part = None
    return Action(
        n=0,
        time_ns=draw(st.integers(START - 10**9, START + 10**15)),
        uncertainty_ns=draw(st.integers(10**6, 10**12)),
        kind=kind,
        part=part,
        into=into,
        note=" ".join("".join(char if char.isprintable() else " " for char in draw(notes)).split()),
    )


def numbered(written: list[Action]) -> list[tuple[object, ...]]:
    in_order = sorted(written, key=lambda action: action.time_ns)
    return [(a.time_ns, a.uncertainty_ns, a.kind, a.part, a.into, a.note) for a in in_order]


@given(written=st.lists(actions(), max_size=12), epoch=st.booleans())
@settings(max_examples=120)
def test_what_is_written_reads_back(written: list[Action], epoch: bool) -> None:
    text = journal_text(written, start_ns=START, epoch=epoch)
    journal = journal_from_text(text, "j", SWEEPER, start_ns=START, epoch=epoch)
    assert (journal.skipped, journal.warnings) == (0, ())
    assert numbered(list(journal.actions)) == numbered(written)
    assert [action.n for action in journal.actions] == list(range(1, len(written) + 1))


def test_a_journal_is_written_as_utf_8_with_plain_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "actions.csv"
    action = Action(n=1, time_ns=1, uncertainty_ns=10**9, kind=ActionKind.MARK, part=None, note="Kübel")
    write_journal(path, [action], start_ns=0, epoch=False)
    assert path.read_bytes() == HEADER.encode() + "+0.000000001,mark,,,1,Kübel\n".encode()
