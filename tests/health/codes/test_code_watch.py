"""Fault codes from raise to clear: SAE J1939-73, CiA 301, a real tractor, and hostile senders."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.j1939.trouble_code import Conversion
from busdoc.decode.protocols.protocol_frames import protocol_frames
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.health.incident import IncidentKind
from busdoc.machine.machine import CodeHint
from tests.decode.frame_text import Frame, block_of, cut_at, frames_block

REAL = Path(__file__).parents[2] / "data" / "real"
NONE = "00FF00000000FFFF"
LOW_SUPPLY = "04FFA8000403FFFF"  # SPN 168 FMI 4, third occurrence


def name_of(channel: int, address: int) -> str:
    return {49: "hopper", 38: "display", 5: "spreader"}.get(address, f"address {address}")


def watched(text: str, **settings_of: Callable[..., object]) -> CodeWatch:
    watch = CodeWatch(names=name_of, **settings_of)  # type: ignore[arg-type]  # each test passes one known setting
    watch.feed(block_of(text))
    return watch


def each_second(payload: str, first: int, last: int, address: str = "31") -> str:
    return "\n".join(f"{n}.0 18FECA{address}#{payload}" for n in range(first, last + 1)) + "\n"


def only(codes: tuple[FaultCode, ...]) -> FaultCode:
    (code,) = codes
    return code


def test_a_code_is_raised_repeated_and_cleared() -> None:
    said = each_second(NONE, 0, 4) + each_second(LOW_SUPPLY, 5, 9) + each_second(NONE, 10, 14)
    code = only(watched(said).codes(14 * 10**9))
    assert (code.controller, code.kind, code.code) == ("hopper", CodeKind.SPN_FMI, "SPN 168 FMI 4")
    assert code.text == "battery voltage: voltage too low, or shorted to ground"
    assert (code.occurrences, code.active, code.controller_count) == (1, False, 3)
    assert code.active_spans == ((5 * 10**9, 10 * 10**9),)
    assert (code.first_ns, code.last_ns) == (5 * 10**9, 9 * 10**9)
    assert code.lamps == ("amber warning lamp",)


def test_a_code_raised_again_counts_twice() -> None:
    said = "".join(each_second(payload, 3 * n, 3 * n + 2) for n, payload in enumerate((NONE, LOW_SUPPLY) * 2))
    code = only(watched(said).codes(11 * 10**9))
    assert (code.occurrences, code.active) == (2, True)
    assert code.active_spans == ((3 * 10**9, 6 * 10**9), (9 * 10**9, None))


def test_a_code_that_a_later_message_leaves_out_is_cleared() -> None:
    # three codes by broadcast as can-j1939 sends them, then one of them alone
    said = """
    1.000 1CECFF31#200E0002FFCAFE00
    1.050 1CEBFF31#0104FFA800040380
    1.100 1CEBFF31#02F0E90C7F021301
    2.000 18FECA31#04FFA8000403FFFF
    """
    codes = {code.code: code for code in watched(said).codes(2 * 10**9)}
    assert list(codes) == ["SPN 168 FMI 4", "SPN 520320 FMI 9", "SPN 639 FMI 19"]
    assert [code.active for code in codes.values()] == [True, False, False]
    assert codes["SPN 639 FMI 19"].active_spans == ((10**9, 2 * 10**9),)


def test_an_incomplete_broadcast_changes_nothing_and_is_warned_of() -> None:
    said = (
        each_second(LOW_SUPPLY, 0, 0)
        + """
    1.000 1CECFF31#200E0002FFCAFE00
    1.050 1CEBFF31#0104FFA800040380
    2.000 18FECA31#04FFA8000403FFFF
    3.000 18FECA31#04FFA8000403FFFF
    """
    )
    watch = watched(said)
    assert only(watch.codes(3 * 10**9)).active_spans == ((0, None),)
    assert watch.warnings == ("hopper: 1 broadcasts of fault codes were incomplete and not used.",)


def test_a_broadcast_that_just_stops_closes_its_code_at_the_last_message() -> None:
    # controllers built to the older text of SAE J1939-73 send nothing while nothing is active
    watch = watched(each_second(LOW_SUPPLY, 5, 9))
    assert only(watch.codes(14 * 10**9)).active
    closed = only(watch.codes(15 * 10**9))
    assert (closed.active, closed.last_ns, closed.active_spans) == (False, 9 * 10**9, ((5 * 10**9, 9 * 10**9),))


def test_a_code_that_returns_after_its_broadcast_stopped_is_raised_again() -> None:
    watch = watched(each_second(LOW_SUPPLY, 5, 9) + each_second(LOW_SUPPLY, 60, 62))
    code = only(watch.codes(62 * 10**9))
    assert code.active_spans == ((5 * 10**9, 9 * 10**9), (60 * 10**9, None))
    assert "sent no codes for 51 s" in watch.incidents(62 * 10**9)[1].why[1]


def test_the_same_message_for_hours_is_one_raise() -> None:
    frames: list[Frame] = [(n * 10**9, 0, 0x18FECA31, True, bytes.fromhex(LOW_SUPPLY)) for n in range(20_000)]
    watch = CodeWatch(names=name_of)
    watch.feed(frames_block(frames))
    code = only(watch.codes(20_000 * 10**9))
    assert (code.occurrences, code.active, code.last_ns) == (1, True, 19_999 * 10**9)


@pytest.mark.parametrize(
    "payload", [NONE, "00FFFFFFFFFFFFFF", "0000000000000000", "FFFF00000000FFFF", "00FF", "04", "", "04FFA800"]
)
def test_no_form_of_no_fault_and_nothing_cut_short_is_a_code(payload: str) -> None:
    assert watched(f"1.0 18FECA31#{payload}").codes(10**9) == ()


@pytest.mark.parametrize("sender", ["FE", "FF"])
def test_nobody_without_an_address_has_codes(sender: str) -> None:
    assert watched(f"1.0 18FECA{sender}#{LOW_SUPPLY}").codes(10**9) == ()


def test_previously_active_codes_are_listed_without_a_raise() -> None:
    watch = watched(f"1.0 18FECB31#{LOW_SUPPLY}")  # SAE J1939-73 5.7.2
    code = only(watch.codes(10**9))
    assert (code.occurrences, code.active, code.active_spans, code.controller_count) == (0, False, (), 3)
    assert code.text.endswith("(stored as previously active)")
    assert watch.incidents(10**9) == ()


def test_a_command_to_stop_broadcasting_is_warned_of() -> None:
    # SAE J1939-73 5.7.13 from memory: first byte 00 in a network's two bits stops it, 11 leaves it as it is
    watch = watched("1.0 18DFFFF9#3FFFFFFFFFFFFFFF\n2.0 18DFFFF9#FFFFFFFFFFFFFFFF")
    assert watch.stops == ((10**9, 0, 0xF9, 255),)
    assert "told controllers on channel 0 to stop broadcasting" in watch.warnings[0]


def test_an_old_layout_is_read_as_the_controller_is_said_to_use_it() -> None:
    said = "1.0 18FECA31#04FF0097038AFFFF"  # version 1 of SPN 1208 FMI 3 in a gateway maker's manual
    code = only(watched(said, conversion=lambda channel, address: Conversion.VERSION_1).codes(10**9))
    assert code.code == "SPN 1208 FMI 3"


def test_an_old_layout_that_nobody_named_says_what_else_it_may_be() -> None:
    code = only(watched("1.0 18FECA31#04FF0097038AFFFF").codes(10**9))
    assert "may also be SPN 1208" in code.text


def test_the_users_names_of_parameters_go_first() -> None:
    watch = CodeWatch(names=name_of, spn_names={168: "Main supply"})
    watch.feed(block_of(f"1.0 18FECA31#{LOW_SUPPLY}"))
    assert only(watch.codes(10**9)).text.startswith("Main supply:")


def _pack(spn: int, fmi: int) -> str:
    raw = bytes([spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, 1])
    return f"04FF{raw.hex()}FFFF"


@pytest.mark.parametrize(
    ("spn", "fmi", "points_at"),
    [
        (3509, 4, ("sensor", "harness")),  # sensor supply voltage
        (1079, 3, ("sensor", "harness")),
        (168, 4, ("feed",)),  # supply
        (158, 1, ("feed",)),
        (639, 14, ("segment",)),  # the network itself
        (1231, 2, ("segment",)),
        (2049, 9, ("segment", "hopper")),  # address 49 is missed; the display, which complains, is not accused
        (2038, 9, ("segment",)),  # it complains of itself
        (190, 9, ("segment",)),  # a message stopped coming
        (190, 19, ("segment",)),
        (190, 2, ()),
        (651, 5, ()),
    ],
)
def test_codes_point_where_the_published_lists_say(spn: int, fmi: int, points_at: tuple[str, ...]) -> None:
    # SAE J1939-73: failure modes 9 and 19; parameters from memory
    assert only(watched(f"1.0 18FECA26#{_pack(spn, fmi)}").codes(10**9)).points_at == points_at


def test_a_code_about_a_missed_controller_calls_it_by_its_name() -> None:
    code = only(watched(f"1.0 18FECA26#{_pack(2049, 9)}").codes(10**9))
    assert (code.controller, code.code) == ("display", "SPN 2049 FMI 9")
    assert code.text.startswith("hopper (source address 49): update late or missing")


def test_a_stopped_message_points_at_the_controller_that_sends_it() -> None:
    watch = watched(f"1.0 18FECA26#{_pack(190, 9)}", senders=lambda spn: ("engine",) if spn == 190 else ())
    assert only(watch.codes(10**9)).points_at == ("segment", "engine")


@pytest.mark.parametrize(
    ("hints", "points_at"),
    [
        ((CodeHint(controller="hopper", spn=168, points_at=("fuse-3",)),), ("fuse-3",)),
        ((CodeHint(controller=None, spn=168, points_at=("fuse-3",)),), ("fuse-3",)),
        ((CodeHint(controller="display", spn=168, points_at=("fuse-3",)),), ("feed",)),
        ((CodeHint(controller="hopper", spn=168, fmi=3, points_at=("fuse-3",)),), ("feed",)),
        (
            (
                CodeHint(controller="hopper", spn=168, points_at=("fuse-1",)),
                CodeHint(controller="hopper", spn=168, fmi=4, points_at=("fuse-3",)),
            ),
            ("fuse-3",),
        ),
    ],
)
def test_the_closest_line_of_the_map_overrides_the_published_lists(
    hints: tuple[CodeHint, ...], points_at: tuple[str, ...]
) -> None:
    watch = CodeWatch(names=name_of, hints=hints)
    watch.feed(block_of(f"1.0 18FECA31#{LOW_SUPPLY}"))
    assert only(watch.codes(10**9)).points_at == points_at


NODE = "0.5 705#05\n"


def test_an_emergency_is_raised_and_reset() -> None:
    watch = watched(NODE + "1.0 085#3081110102030405\n4.0 085#0000000000000000")  # CiA 301
    code = only(watch.codes(9 * 10**9))
    assert (code.controller, code.kind, code.code, code.emcy) == ("spreader", CodeKind.EMCY, "EMCY 0x8130", 0x8130)
    assert code.active_spans == ((10**9, 4 * 10**9),)
    assert code.points_at == ("segment",)


def test_an_emergency_stays_active_until_it_is_reset() -> None:
    # CiA 301: sent once for each error, so silence says nothing
    assert only(watched(NODE + "1.0 085#2031040000000000").codes(9000 * 10**9)).active


def test_a_reset_that_leaves_errors_in_the_register_closes_the_others() -> None:
    # CiA 301: voltage (bit 2) and communication (bit 4) raised; the register still holds generic and voltage
    watch = watched(NODE + "1.0 085#2031050000000000\n2.0 085#3081150000000000\n3.0 085#0000050000000000")
    assert {code.code: code.active for code in watch.codes(9 * 10**9)} == {"EMCY 0x3120": True, "EMCY 0x8130": False}


def test_a_boot_up_ends_the_nodes_emergencies() -> None:
    code = only(watched(NODE + "1.0 085#2031050000000000\n5.0 705#00").codes(9 * 10**9))
    assert code.active_spans == ((10**9, 5 * 10**9),)


def test_the_same_emergency_with_other_details_is_another_error() -> None:
    watch = watched(NODE + "1.0 085#3081110500000000\n1.5 085#3081110500000000\n2.0 085#3081110700000000")
    assert only(watch.codes(9 * 10**9)).occurrences == 2


@pytest.mark.parametrize(
    ("emcy", "points_at"), [("2031", ("feed",)), ("2032", ("feed",)), ("2081", ("segment",)), ("1023", ())]
)
def test_emergencies_point_where_the_published_list_says(emcy: str, points_at: tuple[str, ...]) -> None:
    assert only(watched(NODE + f"1.0 085#{emcy}050000000000").codes(10**9)).points_at == points_at


def test_an_emergency_before_the_first_heartbeat_counts() -> None:
    assert only(watched("1.0 085#2031050000000000\n2.0 705#05").codes(9 * 10**9)).first_ns == 10**9


def test_frames_of_another_network_on_the_same_identifiers_are_no_emergencies() -> None:
    watch = CodeWatch(names=name_of)
    last_ns = 0
    for block in open_capture([REAL / "car-clean-drive.log.gz"]).blocks():
        watch.feed(block)
        last_ns = int(block.t_ns[-1])
    assert watch.codes(last_ns) == ()


def test_a_node_without_error_control_has_no_emergencies() -> None:
    assert watched(NODE + "1.0 086#2031050000000000").codes(10**9) == ()


def test_each_raise_is_an_incident_between_two_broadcasts() -> None:
    said = each_second(NONE, 0, 4) + each_second(LOW_SUPPLY, 5, 9) + each_second(NONE, 10, 14)
    (incident,) = watched(said).incidents(14 * 10**9)
    assert (incident.kind, incident.controllers, incident.code) == (IncidentKind.CODE, ("hopper",), "SPN 168 FMI 4")
    assert (incident.last_seen_ns, incident.onset_ns, incident.back_ns) == (4 * 10**9, 5 * 10**9, 10 * 10**9)


def test_a_code_in_a_senders_first_message_may_be_older() -> None:
    (incident,) = watched(each_second(LOW_SUPPLY, 5, 9)).incidents(9 * 10**9)
    assert "may have been active before" in incident.why[1]


def test_the_real_tractors_code_is_found_and_nothing_else() -> None:
    # real tractor: address 3 broadcasts SPN 524020 FMI 31 with the protect lamp from 2.148 to 9.129 s
    watch = CodeWatch(names=lambda channel, address: str(address))
    last_ns = 0
    for block in open_capture([REAL / "tractor-active-dm1.log.gz"]).blocks():
        watch.feed(block)
        last_ns = int(block.t_ns[-1])
    code = only(watch.codes(last_ns))
    assert (code.controller, code.spn, code.fmi, code.occurrences) == ("3", 524020, 31, 1)
    assert code.active_spans == ((2_148_000_000, 9_129_000_000),)
    assert code.lamps == ("protect lamp",)


SPOKEN = st.sampled_from(
    [
        (0x18FECA31, True, NONE),
        (0x18FECA31, True, LOW_SUPPLY),
        (0x18FECA31, True, LOW_SUPPLY),
        (0x18FECA26, True, _pack(2049, 9)),
        (0x18FECB31, True, _pack(190, 2)),
        (0x1CECFF31, True, "200E0002FFCAFE00"),
        (0x1CEBFF31, True, "0104FFA800040380"),
        (0x1CEBFF31, True, "02F0E90C7F021301"),
        (0x085, False, "2031050000000000"),
        (0x085, False, "3081110000000000"),
        (0x085, False, "0000000000000000"),
        (0x705, False, "05"),
        (0x705, False, "00"),
    ]
)


@st.composite
def spoken_blocks(draw: st.DrawFn) -> FrameBlock:
    t_ns, frames = 0, list[Frame]()
    for id_, extended, payload in draw(st.lists(SPOKEN, min_size=1, max_size=50)):
        t_ns += draw(st.sampled_from([0, 50, 50, 300, 1000, 6000])) * 1_000_000
        frames.append((t_ns, draw(st.integers(0, 1)), id_, extended, bytes.fromhex(payload)))
    return frames_block(frames)


@settings(max_examples=150)
@given(spoken_blocks(), st.lists(st.integers(0, 60), max_size=6))
def test_cutting_the_capture_anywhere_gives_the_same_codes(block: FrameBlock, cuts: list[int]) -> None:
    until_ns = int(block.t_ns[-1])
    whole, pieces, sieved, single = (CodeWatch(names=name_of) for _ in range(4))
    whole.feed(block)
    sieved.feed(protocol_frames(block))
    for piece in cut_at(block, cuts):
        pieces.feed(piece)
    for row in range(len(block)):
        single.feed(block.slice(row, row + 1))
    for other in (pieces, sieved, single):
        assert other.codes(until_ns) == whole.codes(until_ns)
        assert other.incidents(until_ns) == whole.incidents(until_ns)
        assert other.warnings == whole.warnings


def test_codes_that_change_with_every_message_stay_bounded() -> None:
    rng = np.random.default_rng(5)
    frames: list[Frame] = [
        (n * 1_000_000, 0, 0x18FECA00 | int(rng.integers(0, 256)), True, rng.bytes(8)) for n in range(60_000)
    ]
    watch = CodeWatch(names=name_of)
    watch.feed(frames_block(frames))
    codes = watch.codes(60 * 10**9)
    assert len(codes) <= 5_000
    assert "were not kept" in watch.warnings[-1]


def test_thousands_of_sessions_that_never_end_raise_nothing() -> None:
    frames: list[Frame] = []
    for n in range(20_000):
        head = bytes([16, 255, 6, 255, 255, 0xCA, 0xFE, 0])  # 1791 bytes: more than there may be
        fair = bytes([16, 249, 6, 255, 255, 0xCA, 0xFE, 0])  # 1785 bytes in 255 packets
        pair = (n % 250) << 8 | (n // 250) % 250
        frames.append((n * 10_000, n % 7, 0x1CEC0000 | pair, True, head if n % 3 == 0 else fair))
        frames.append((n * 10_000, n % 7, 0x1CEB0000 | pair, True, bytes([n % 256]) + bytes(n % 8)))
    watch = CodeWatch(names=name_of)
    watch.feed(frames_block(frames))
    assert watch.codes(10**9) == ()


@pytest.mark.parametrize("seed", range(3))
def test_random_frames_raise_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 50_000
    ids = rng.integers(0, 1 << 29, n)
    protocol = rng.choice(
        [0x18FECA00, 0x18FECB00, 0x1CECFF00, 0x1CEBFF00, 0x1CEC0000, 0x1CEB0000, 0x1CC80000, 0x80, 0x700], n
    )
    ids = np.where(rng.random(n) < 0.7, protocol | rng.integers(0, 256, n), ids)
    block = FrameBlock(
        t_ns=np.sort(rng.integers(0, 60 * 10**9, n)),
        channel=rng.integers(0, 3, n).astype(np.uint8),
        id=ids.astype(np.uint32),
        flags=rng.choice([0, 1, 1, 1, 2, 4, 8, 9, 71], n).astype(np.uint16),
        length=rng.integers(0, 10, n).astype(np.uint8),
        data=rng.integers(0, 256, (n, 8)).astype(np.uint8),
    )
    watch = CodeWatch(names=name_of)
    watch.feed(block)
    assert watch.incidents(60 * 10**9) is not None
