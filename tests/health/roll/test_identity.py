"""Who is on the bus: SAE J1939-81, CiA 301, ISO 11783-7, NMEA 2000; and a real tractor."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.j1939.heartbeat import lost_between
from busdoc.decode.protocols.sign import SignKind
from busdoc.health.roll.identity import IdentityWatch
from busdoc.machine.controller_spec import Identity
from tests.decode.frame_text import Frame, block_of, cut_at, frames_block

REAL = Path(__file__).parents[2] / "data" / "real"
HIGH, LOW = "40E22122118202B0", "41E22122098202B0"  # the second NAME is the lower number: it wins


def watched(text: str) -> IdentityWatch:
    watch = IdentityWatch()
    watch.feed(block_of(text))
    return watch


def test_a_claim_names_the_controller_at_its_address() -> None:
    watch = watched(f"1.0 18EEFF31#{HIGH}")
    assert watch.identity(0, address=0x31) == Identity(address=0x31, can_name=0xB00282112221E240)


def test_two_names_that_alternate_on_one_address_are_one_fight() -> None:
    said = "\n".join(f"{n}.0 18EEFF31#{(HIGH, LOW)[n % 2]}" for n in range(10))
    (fight,) = watched(said).fights
    assert (fight.address, fight.from_ns, fight.to_ns, fight.n_changes) == (0x31, 10**9, 9 * 10**9, 9)
    assert fight.can_names == (0xB00282092221E241, 0xB00282112221E240)


def test_the_warning_of_a_fight_says_who_keeps_the_address() -> None:
    said = "\n".join(f"{n}.0 18EEFF31#{(HIGH, LOW)[n % 2]}" for n in range(4))
    (warning,) = watched(said).warnings(0)
    assert warning.startswith("Address 49 on channel 0:")
    assert "0xB00282092221E241 keeps it" in warning  # SAE J1939-81: the lower NAME wins


def test_the_same_name_again_is_no_fight() -> None:
    watch = watched(f"1.0 18EEFF31#{HIGH}\n5.0 18EEFF31#{HIGH}\n9.0 18EEFF31#{HIGH}")
    assert watch.fights == ()
    assert watch.unasked(0, SignKind.ADDRESS_CLAIM, 0x31) == 3


def test_an_address_that_passes_to_another_name_is_a_change() -> None:
    watch = watched(f"1.0 18EEFF31#{HIGH}\n100.0 18EEFF31#{LOW}")
    (change,) = watch.changes
    assert (change.address, change.before_name, change.can_name) == (0x31, 0xB00282112221E240, 0xB00282092221E241)
    assert "passed from" in watch.notes(0)[0]


def test_a_name_that_takes_another_address_has_moved() -> None:
    watch = watched(f"1.0 18EEFF80#{HIGH}\n1.2 18EEFF81#{HIGH}")
    (change,) = watch.changes
    assert (change.before_address, change.address) == (0x80, 0x81)
    assert "moved from address 128 to 129" in watch.notes(0)[0]


def test_a_controller_that_found_no_address_is_named() -> None:
    watch = watched(f"1.0 18EEFFFE#{HIGH}")
    assert [name.can_name for name in watch.without_address[0]] == [0xB00282112221E240]
    assert "found no free address" in watch.warnings(0)[0]


def test_the_real_tractor_has_five_controllers_with_one_name_each() -> None:
    watch = IdentityWatch()
    for block in open_capture([REAL / "tractor-key-on-crank-key-off.log.gz"]).blocks():
        watch.feed(block)
    assert {address: len(names) for (_, address), names in watch.addresses.items()} == {0: 1, 3: 1, 6: 1, 23: 1, 71: 1}
    assert (watch.fights, watch.changes, watch.warnings(0)) == ((), (), ())


def test_a_node_is_known_by_its_heartbeat_and_boot_up() -> None:
    watch = watched("1.0 705#00\n1.1 705#7F\n1.6 705#05\n2.1 705#05")  # CiA 301
    (node,) = watch.nodes
    assert (node.channel, node.node, node.lost_answers) == (0, 5, 0)
    assert watch.unasked(0, SignKind.BOOT_UP, 5) == 1
    assert watch.identity(0, node_id=5) == Identity(node_id=5)


def test_an_alternating_toggle_bit_loses_no_answer() -> None:
    said = "\n".join(f"{n}.0 705#R\n{n}.1 705#{('05', '85')[n % 2]}" for n in range(6))  # CiA 301 node guarding
    (node,) = watched(said).nodes
    assert (node.is_guarded, node.lost_answers) == (True, 0)


def test_a_toggle_bit_that_stands_still_means_a_lost_answer() -> None:
    said = "\n".join(f"{n}.1 705#{byte}" for n, byte in enumerate(("05", "85", "85", "05")))
    watch = watched(said)
    assert watch.nodes[0].lost_answers == 1
    assert "node guarding" in watch.warnings(0)[0]


def test_a_node_that_boots_twice_by_itself_is_warned_of() -> None:
    watch = watched("1.0 705#00\n9.0 705#00")
    assert "booted 2 times without a reset command" in watch.warnings(0)[0]


@pytest.mark.parametrize(("before", "after", "lost"), [(250, 0, 0), (251, 0, 0), (5, 6, 0), (5, 8, 2), (249, 1, 2)])
def test_iso_heartbeats_go_round_after_250(before: int, after: int, lost: int) -> None:
    # ISO 11783-7: 0 … 250 and round to 0; 251 is the first after start-up
    assert lost_between(np.array([before], np.uint8), np.array([after], np.uint8)).tolist() == [lost]


def test_an_iso_heartbeat_tells_loss_and_lateness() -> None:
    beats = [(0, 251), (100, 0), (200, 1), (300, 3), (700, 4), (800, 255), (5000, 251), (5100, 0)]
    watch = IdentityWatch()
    watch.feed(frames_block([(ms * 10**6, 0, 0x0CF0E480, True, bytes([n]) + b"\xff" * 7) for ms, n in beats]))
    (sender,) = watch.heartbeats
    assert (sender.protocol, sender.address) == ("ISO 11783", 0x80)
    assert (sender.n_lost, sender.n_late) == (1, 1)


def test_an_nmea_heartbeat_that_counts_from_zero_again_lost_none() -> None:
    beats = [(60, 5), (120, 6), (180, 0), (240, 1), (300, 3)]
    frames: list[Frame] = [
        (s * 10**9, 0, 0x1DF01107, True, bytes.fromhex("60EA") + bytes([n, 0xCC]) + b"\xff" * 4) for s, n in beats
    ]
    watch = IdentityWatch()
    watch.feed(frames_block(frames))
    (sender,) = watch.heartbeats
    assert (sender.protocol, sender.address, sender.n_lost) == ("NMEA 2000", 7, 1)


SPOKEN = st.sampled_from(
    [
        (0x18EEFF31, True, HIGH),
        (0x18EEFF31, True, LOW),
        (0x18EEFF80, True, HIGH),
        (0x18EEFFFE, True, LOW),
        (0x0CF0E480, True, "FBFFFFFFFFFFFFFF"),
        (0x0CF0E480, True, "04FFFFFFFFFFFFFF"),
        (0x1DF01107, True, "60EA00CCFFFFFFFF"),
        (0x1DF01107, True, "60EA07CDFFFFFFFF"),
        (0x000, False, "8105"),
        (0x705, False, "00"),
        (0x705, False, "05"),
        (0x705, False, "85"),
    ]
)


@st.composite
def spoken_blocks(draw: st.DrawFn) -> FrameBlock:
    t_ns, frames = 0, list[Frame]()
    for id_, extended, payload in draw(st.lists(SPOKEN, min_size=1, max_size=40)):
        t_ns += draw(st.sampled_from([0, 50, 100, 400, 2000, 12_000])) * 1_000_000
        frames.append((t_ns, draw(st.integers(0, 1)), id_, extended, bytes.fromhex(payload)))
    return frames_block(frames)


def _all_of(watch: IdentityWatch) -> tuple[object, ...]:
    return (
        watch.addresses,
        watch.without_address,
        watch.fights,
        watch.changes,
        watch.nodes,
        watch.heartbeats,
        watch.warnings(0),
        watch.notes(0),
    )


@settings(max_examples=100)
@given(spoken_blocks(), st.lists(st.integers(0, 50), max_size=5))
def test_cutting_the_capture_anywhere_gives_the_same_identities(block: FrameBlock, cuts: list[int]) -> None:
    whole, pieces = IdentityWatch(), IdentityWatch()
    whole.feed(block)
    for piece in cut_at(block, cuts):
        pieces.feed(piece)
    assert _all_of(pieces) == _all_of(whole)


def test_claims_of_ever_new_names_stay_bounded() -> None:
    rng = np.random.default_rng(3)
    frames: list[Frame] = [
        (n * 1_000_000, 0, 0x18EEFF00 | int(rng.integers(0, 256)), True, rng.bytes(8)) for n in range(60_000)
    ]
    watch = IdentityWatch()
    watch.feed(frames_block(frames))
    assert max(len(names) for names in watch.addresses.values()) <= 100
    assert len(watch.changes) <= 1000
    assert len(watch.fights) <= 1000
