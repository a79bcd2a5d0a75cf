"""The machine map: what it gives, and every kind of mistake by its line."""

from pathlib import Path

import pytest

from busdoc.capture.channels import ChannelTable
from busdoc.errors import InputError
from busdoc.machine.controller_spec import ExpectedStream, Identity, PeriodFrom
from busdoc.machine.machine import PartKind
from busdoc.machine.machine_map import bitrates, load_machine, machine_from_text, specs
from tests.truth.sweeper_map import SWEEPER


def mistake(text: str) -> str:
    with pytest.raises(InputError) as caught:
        machine_from_text(text, "machine.toml")
    return str(caught.value)


def line_of(text: str, fragment: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), start=1) if fragment in line)


def test_a_whole_map_gives_its_records() -> None:
    machine = machine_from_text(SWEEPER, "machine.toml")
    assert machine.name == "Street sweeper 7"
    assert machine.parts["fuse-3"].kind is PartKind.FEED
    assert (machine.parts["gate-angle"].owner, machine.parts["gate-angle"].socket) == ("harness-A", "gate")
    assert (machine.controllers["hopper"].feed, machine.controllers["hopper"].segment) == ("fuse-3", "rear-trunk")
    assert machine.statuses[0].bad == ("FAULT", 3.0)
    assert dict(machine.report) == {"serial": "SW-0007", "hours": 4211}


def test_like_parts_swap_both_ways_though_one_says_so() -> None:
    assert machine_from_text(SWEEPER, "m").parts["harness-B"].swaps_with == ("harness-A",)


def test_specs_carry_identity_rhythm_and_return_time() -> None:
    (spec,) = specs(machine_from_text(SWEEPER, "m"))
    assert spec.identity == Identity(address=0x31)
    assert spec.back_within_ns == 8_000_000_000
    assert spec.expects == (
        ExpectedStream(id=0x18FF3131, extended=True, period_ns=100_000_000, period_from=PeriodFrom.MAP),
        ExpectedStream(id=0x18FF3127, extended=True, period_ns=None, period_from=PeriodFrom.LEARNT),
    )


def test_a_period_is_taken_digit_by_digit() -> None:
    machine = machine_from_text(SWEEPER.replace("period_s = 0.1", "period_s = 0.123456789"), "m")
    assert specs(machine)[0].expects[0].period_ns == 123_456_789


def test_bit_rates_are_found_by_the_number_of_the_channel() -> None:
    channels = ChannelTable()
    channels.number("can0")
    channels.number("can1")
    assert bitrates(machine_from_text(SWEEPER, "m"), channels) == {0: (250_000, None)}


def test_an_empty_text_is_an_empty_machine() -> None:
    machine = machine_from_text("", "m")
    assert not machine.parts
    assert not machine.controllers


MISTAKES = [
    ('into = "fuse-3"', 'into = "fuse-9"', 'expected the name of a feed, found "fuse-9". Did you mean "fuse-3"?'),
    ('on = "rear-trunk"', 'on = "fuse-3"', 'expected the name of a segment, found "fuse-3"'),
    ('into = "front-trunk"', 'into = "fuse-3"', "expected the name of a segment"),
    ('into = "hopper:A"', 'into = "hoper:A"', 'found "hoper". Did you mean "hopper"?'),
    ('into = "hopper:B"', 'into = "hopper:A"', "expected a socket that is free"),
    ("prior = 0.02", "prior = 1.5", "expected a probability from 0 to 1"),
    ("prior = 0.02", "prior = nan", "expected a probability from 0 to 1"),
    ("prior = 0.02", "piror = 0.02", 'found "piror". Did you mean "prior"?'),
    ("address = 0x31", "address = 254", "expected a source address from 0 to 253"),
    ("address = 0x31", 'address = "0x31"', "expected a source address"),
    ("address = 0x31", "node_id = 128", "expected a node from 1 to 127"),
    ("address = 0x31", 'can_name = "0xZZ"', "expected a NAME"),
    ("latches = true", 'latches = "yes"', "expected true or false"),
    ("back_within_s = 8.0", "back_within_s = -8.0", "expected seconds"),
    ("back_within_s = 8.0", "back_within_s = 1e400", "expected seconds"),
    ('frames = ["0x18FF3127"', 'frames = ["18FG3127"', "expected an identifier in hexadecimal"),
    ('frames = ["0x18FF3127"', 'frames = ["0x38FF3127"', "expected an identifier in hexadecimal"),
    ('frame = "0x18FF3131"', 'frame = "0x18FF3131", perod_s = 1', 'found "perod_s". Did you mean "period_s"?'),
    ('swaps_with = ["harness-B"]', 'swaps_with = ["gate-angle"]', "expected the name of another harness"),
    ('swaps_with = ["harness-B"]', 'swaps_with = "harness-B"', "expected a list of texts"),
    ('kind = "harness"', 'kind = "harnes"', 'Did you mean "harness"?'),
    ('name = "harness-B"', 'name = "Harness-A"', "expected a name of its own"),
    ('name = "harness-B"', 'name = "har:ness"', "expected a name without a colon"),
    ('name = "harness-B"', 'name = "elsewhere"', '"elsewhere" stands for whatever is not on the map'),
    ('signal = "HopperStatus.GateAngle"', 'signal = "GateAngle"', "expected `Message.Signal`"),
    ("channel = 0\nlatches", "channel = 5\nlatches", "expected the channel of a [[bus]]"),
    ("channel = 0\nbitrate", "channel = -1\nbitrate", "expected a channel"),
    ("bitrate = 250000", "bitrate = 250", "expected bit/s"),
    ("spn = 3509", "spn = 600000", "expected a suspect parameter number"),
    ("spn = 3509", "spn = 3509\nemcy = 1", "expected one of `spn`, `emcy` and `status`, found several"),
    ('points_at = ["sensor"', 'points_at = ["senser"', 'Did you mean "sensor"?'),
    ('bad = ["FAULT", 3]', "bad_range = [3, 1]", "expected two numbers, the lower first"),
    ("hours = 4211", "hours = [4211]", "expected one text or number"),
    ('cautions = ["Prop', 'cautions = [3, "Prop', "expected texts in `cautions`"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), MISTAKES)
def test_a_mistake_is_named_with_its_line(right: str, wrong: str, words: str) -> None:
    assert right in SWEEPER
    text = SWEEPER.replace(right, wrong, 1)
    before, _, _ = SWEEPER.partition(right)
    pairs = zip(right.split("\n"), wrong.split("\n"), strict=False)
    offset = next((n for n, (one, other) in enumerate(pairs) if one != other), 0)
    message = mistake(text)
    assert words in message
    assert f"line {before.count(chr(10)) + 1 + offset}" in message.lower()


def test_a_key_that_is_missing_is_named_with_its_table() -> None:
    message = mistake('[[part]]\nname = "a"\nkind = "feed"\n\n[[part]]\nname = "b"\n')
    assert "line 5" in message
    assert "kind" in message


def test_a_loop_of_feeds_is_named() -> None:
    text = SWEEPER.replace('name = "battery"\nkind = "feed"', 'name = "battery"\nkind = "feed"\ninto = "fuse-3"')
    assert "battery into fuse-3 into battery" in mistake(text)


def test_two_controllers_at_one_address_are_named() -> None:
    message = mistake(SWEEPER + '\n[[controller]]\nname = "brush"\naddress = 0x31\nchannel = 0\n')
    assert 'expected an own address, found the one of "hopper"' in message
    assert f"line {line_of(SWEEPER, 'address = 0x31')}" in message


def test_several_mistakes_are_named_in_the_order_of_their_lines() -> None:
    text = SWEEPER.replace("prior = 0.02", "piror = 0.02").replace("address = 0x31", "address = 300")
    first, second = mistake(text).split("\n")
    assert f"line {line_of(text, 'address = 300')}:" in first
    assert f"Line {line_of(text, 'piror')}:" in second


QUOTED_X = '  "x",'


def test_an_item_of_a_list_over_several_lines_has_its_own_line() -> None:
    text = SWEEPER.replace('swaps_with = ["harness-B"]', 'swaps_with = [\n  "harness-B",\n  # like for like\n  "x",\n]')
    assert f"line {line_of(text, QUOTED_X)}:" in mistake(text)


def test_a_slip_in_the_syntax_is_named_with_its_line() -> None:
    text = SWEEPER.replace('kind = "harness"', "kind = harness", 1)
    assert f"line {line_of(text, 'kind = harness')}: expected valid TOML" in mistake(text)


def test_a_text_that_stops_short_is_named_with_its_last_line() -> None:
    assert "line 2: expected valid TOML" in mistake('[machine]\nname = "Street')


@pytest.mark.parametrize(
    "bomb",
    [
        "x = " + "[" * 100_000,
        "x = " + "[" * 100_000 + "]" * 100_000,
        "x = " + "{a = " * 50_000 + "1" + "}" * 50_000,
        "a" + ".a" * 500_000 + " = 1",
        "[" + "a." * 400_000 + "a]",
        "prior = " + "9" * 1_000_000,
        "prior = 0x" + "f" * 1_000_000,
        "prior = 1e999999999999999999999",
        "\n".join(f"[[part]]\nname = 'p{n}'\nkind = 'feed'" for n in range(6000)),
        "\0" * 1000,
        "\n".join(f"k{n} = 1" for n in range(40_000)),
        "\n".join('"a b' + str(n) + '"' + '."a b"' * 200 + " = 1" for n in range(300)),
        "".join(f"[[part]]\nname = 'p{n}'\nkind = 'feed'\ninto = 'q{n}'\n" for n in range(2000)),
    ],
)
def test_a_bomb_ends_in_a_sentence(bomb: str) -> None:
    assert len(mistake(bomb)) < 2000


def test_a_file_too_large_for_a_map_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_bytes(b"#" * 5_000_001)
    with pytest.raises(InputError, match="more than 500 kB"):
        load_machine(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="expected a machine map"):
        load_machine(tmp_path / "none.toml")


def test_a_mark_of_the_editor_in_front_and_its_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SWEEPER.replace("\n", "\r\n").encode("utf-8"))
    assert load_machine(path) == machine_from_text(SWEEPER, "m")


def test_a_byte_that_is_not_utf_8_is_named_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_bytes(SWEEPER.replace("SW-0007", "Kübel").encode("latin-1"))
    line = line_of(SWEEPER, "SW-0007")
    with pytest.raises(InputError, match=rf"line {line}: expected a text in UTF-8, found the byte 0xFC"):
        load_machine(path)
