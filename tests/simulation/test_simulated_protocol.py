"""Claims, boot-ups and fault codes as the simulation sends them, against published frames."""

import numpy as np

from busdoc.simulation.protocol import CodeSpan, boot_ups, claims, dm1_frames, emcy_frames, error_burst
from busdoc.simulation.timeline import Stint
from tests.truth.by_chance.random_codes import random_codes

STARTED = Stint(start_s=10.0, end_s=60.0, fresh=True, heard=((10.0, 60.0),))
RUNNING = Stint(start_s=0.0, end_s=60.0, fresh=False, heard=((0.0, 60.0),))


def dm1(codes: list[CodeSpan], *, only_active: bool = False, until_s: float = 3.0) -> list[tuple[int, str]]:
    frames = dm1_frames(codes, "hopper", 0x31, 0, from_s=0.0, until_s=until_s, phase_s=0.5, only_active=only_active)
    return [(frame.id, frame.data.hex(" ").upper()) for frame in frames]


def code(spn: int, fmi: int, count: int, raised_s: float = 0.0, cleared_s: float | None = None) -> CodeSpan:
    return CodeSpan(controller="hopper", raised_s=raised_s, cleared_s=cleared_s, spn=spn, fmi=fmi, count=count)


def test_one_code_is_a_single_frame_of_the_published_layout() -> None:
    # SAE J1939-73 5.7.1; bytes as can-j1939 packs SPN 1208 FMI 3 count 10.
    assert dm1([code(1208, 3, 10)])[0] == (0x18FECA31, "04 FF B8 04 03 0A FF FF")


def test_three_codes_go_by_broadcast_transport() -> None:
    # SAE J1939-21 5.10; frames as can-j1939 sends them.
    three = [code(168, 4, 3), code(520320, 9, 12), code(639, 19, 1)]
    assert dm1(three)[:3] == [
        (0x1CECFF31, "20 0E 00 02 FF CA FE 00"),
        (0x1CEBFF31, "01 04 FF A8 00 04 03 80"),
        (0x1CEBFF31, "02 F0 E9 0C 7F 02 13 01"),
    ]


def test_no_active_fault_has_its_form() -> None:
    # SAE J1939-73 5.7.1.
    assert set(dm1([])) == {(0x18FECA31, "00 FF 00 00 00 00 FF FF")}
    assert len(dm1([], until_s=10.0)) == 10


def test_a_controller_of_the_older_text_is_silent_but_for_the_clearing() -> None:
    frames = dm1([code(168, 4, 1, raised_s=2.1, cleared_s=3.8)], only_active=True, until_s=10.0)
    assert [data[:17] for _, data in frames] == [
        "04 FF A8 00 04 01",
        "04 FF A8 00 04 01",
        "00 FF 00 00 00 00",
    ]


def test_only_a_controller_that_starts_claims_its_address() -> None:
    # SAE J1939-81: PGN 60928 to all, the NAME least significant byte first.
    frames = claims([RUNNING, STARTED], "hopper", 0x31, 0x8877665544332211, 0)
    assert [(f.time_s > 10.0, f.id, f.data.hex()) for f in frames] == [(True, 0x18EEFF31, "1122334455667788")]


def test_only_a_node_that_starts_sends_a_boot_up() -> None:
    # CiA 301: 0x700 + node, one zero byte.
    assert [(f.id, f.data, f.extended) for f in boot_ups([RUNNING, STARTED], "hoist", 5, 0)] == [(0x705, b"\0", False)]


def test_an_emergency_is_said_once_and_reset_when_the_last_code_is_gone() -> None:
    # CiA 301: 0x080 + node, code low byte first, error register, five bytes of the maker's.
    codes = [
        CodeSpan(controller="hoist", raised_s=1.0, cleared_s=3.0, emcy=0x8130),
        CodeSpan(controller="hoist", raised_s=2.0, cleared_s=4.0, emcy=0x3120),
    ]
    frames = emcy_frames(codes, "hoist", 5, 0)
    assert sorted((f.time_s, f.id, f.data.hex(" ")) for f in frames) == [
        (1.0, 0x085, "30 81 11 00 00 00 00 00"),
        (2.0, 0x085, "20 31 05 00 00 00 00 00"),
        (4.0, 0x085, "00 00 00 00 00 00 00 00"),
    ]


def test_error_frames_carry_the_class_of_the_linux_header() -> None:
    # Linux header can/error.h: CAN_ERR_PROT is 0x08; data[2] 0x02 form, 0x04 stuff.
    frames = error_burst(np.random.default_rng(1), 5.0, 20, 0)
    assert {f.id for f in frames} == {0x08}
    assert {f.data[2] for f in frames} <= {0x02, 0x04}
    assert all(abs(f.time_s - 5.0) < 0.5 for f in frames)


def test_a_sender_keeps_to_one_transport_session_at_a_time() -> None:
    # SAE J1939-21 5.10: a node sends one broadcast session at a time, its packets 50 to 200 ms apart.
    codes = random_codes(np.random.default_rng(2), ["hopper"], until_s=300.0)
    frames = dm1_frames(codes, "hopper", 0x31, 0, from_s=0.0, until_s=300.0, phase_s=0.5, only_active=False)
    times = [frame.time_s for frame in frames]
    assert times == sorted(times)
    due = 0
    for frame in frames:
        if frame.id == 0x1CECFF31:
            assert due == 0
            due, n_packets = frame.data[3], 0
        elif frame.id == 0x1CEBFF31:
            n_packets += 1
            assert frame.data[0] == n_packets
            due -= 1
    assert max(sum(c.raised_s <= t and (c.cleared_s or 1e9) > t for c in codes) for t in times) >= 12
