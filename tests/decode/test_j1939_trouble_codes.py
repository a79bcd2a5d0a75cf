"""Trouble codes against SAE J1939-73 5.7.1 and can-j1939, without what that library gets wrong."""

import j1939
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.decode.j1939.code_words import code_text, failure_text, missed_address
from busdoc.decode.j1939.trouble_code import Conversion, Lamp, LampState, code_bytes, lamps, read_code

# bytes, SPN, FMI, count: packed by can-j1939's DTC
PACKED = [
    ("A8000403", 168, 4, 3),
    ("80F0E90C", 520320, 9, 12),
    ("7F021301", 639, 19, 1),
    ("BE000201", 190, 2, 1),
    ("D3070905", 2003, 9, 5),
    ("B804030A", 1208, 3, 10),
]


@pytest.mark.parametrize(("raw", "spn", "fmi", "count"), PACKED)
def test_a_code_reads_as_can_j1939_packs_it(raw: str, spn: int, fmi: int, count: int) -> None:
    assert j1939.DTC(spn=spn, fmi=fmi, oc=count).dtc == int.from_bytes(bytes.fromhex(raw), "little")
    code = read_code(bytes.fromhex(raw))
    assert (code.spn, code.fmi, code.count, code.old_conversion) == (spn, fmi, count, False)


@given(st.integers(0, 524287), st.integers(0, 31), st.integers(0, 126))
def test_every_code_that_can_j1939_packs_reads_back(spn: int, fmi: int, count: int) -> None:
    code = read_code(j1939.DTC(spn=spn, fmi=fmi, oc=count).dtc.to_bytes(4, "little"))
    assert (code.spn, code.fmi, code.count) == (spn, fmi, count)


@pytest.mark.parametrize(
    ("raw", "conversion"),
    [
        # SAE J1939-73 conversion versions 1 and 2 as a gateway maker's manual gives them; 3 from memory
        ("0097038A", Conversion.VERSION_1),
        ("9700038A", Conversion.VERSION_2),
        ("B804038A", Conversion.VERSION_3),
        ("B804030A", Conversion.VERSION_1),  # conversion method 0 is version 4 whatever else is set
    ],
)
def test_all_conversion_versions_give_the_same_code(raw: str, conversion: Conversion) -> None:
    code = read_code(bytes.fromhex(raw), conversion)
    assert (code.spn, code.fmi, code.count) == (1208, 3, 10)


def test_a_count_of_127_is_not_available() -> None:
    assert read_code(bytes.fromhex("A800047F")).count is None  # SAE J1939-73 5.7.1


def test_a_single_code_is_filled_to_eight_bytes() -> None:
    assert code_bytes(bytes.fromhex("04FFB804030AFFFF")) == (bytes.fromhex("B804030A"),)


def test_three_codes_are_cut_in_order() -> None:
    codes = code_bytes(bytes.fromhex("04FFA800040380F0E90C7F021301"))
    assert codes is not None
    assert [read_code(code).spn for code in codes] == [168, 520320, 639]


@pytest.mark.parametrize(
    "payload",
    ["00FF00000000FFFF", "00FFFFFFFFFFFFFF", "0000000000000000", "FFFF00000000FFFF", "00FF", "FFFFFFFFFFFFFFFF"],
)
def test_every_form_of_no_active_fault_has_no_code(payload: str) -> None:
    assert code_bytes(bytes.fromhex(payload)) == ()  # SAE J1939-73; the older forms from memory


@pytest.mark.parametrize("payload", ["", "04", "04FFB8", "04FFB80403"])
def test_a_message_cut_within_its_first_code_is_no_message(payload: str) -> None:
    assert code_bytes(bytes.fromhex(payload)) is None


def test_lamps_read_as_can_j1939_writes_them() -> None:
    writer = j1939.DtcLamp()
    first, second = writer.get_data({"pl": writer.ON, "awl": writer.ON, "rsl": writer.OFF, "mil": writer.NA})
    assert lamps(bytes([first, second])) == {
        Lamp.MALFUNCTION: LampState.NOT_AVAILABLE,
        Lamp.RED_STOP: LampState.OFF,
        Lamp.AMBER_WARNING: LampState.ON,
        Lamp.PROTECT: LampState.ON,
    }


def test_lamps_tell_error_and_not_available_apart() -> None:
    states = lamps(bytes([0b11_10_01_00]))  # SAE J1939-73 5.7.1: malfunction, red stop, amber warning, protect
    assert list(states.values()) == [LampState.NOT_AVAILABLE, LampState.ERROR, LampState.ON, LampState.OFF]


@pytest.mark.parametrize(
    ("fmi", "word"),
    [
        (3, "shorted to supply"),
        (4, "shorted to ground"),
        (5, "open"),
        (9, "missing"),
        (19, "network data"),
        (31, "exists"),
    ],
)
def test_failure_modes_say_what_the_published_list_says(fmi: int, word: str) -> None:
    assert word in failure_text(fmi)  # SAE J1939-73 appendix A


def test_a_reserved_failure_mode_is_named_by_its_number() -> None:
    assert "failure mode 24" in failure_text(24)


def test_the_users_name_goes_before_the_published_one() -> None:
    assert code_text(168, 4, {168: "Main supply"}).startswith("Main supply: voltage too low")
    assert code_text(520320, 9).startswith("parameter 520320: ")


@pytest.mark.parametrize(("spn", "address"), [(2000, 0), (2049, 49), (2253, 253), (1999, None), (2254, None)])
def test_parameters_from_2000_on_speak_of_a_source_address(spn: int, address: int | None) -> None:
    assert missed_address(spn) == address  # SAE J1939-73, from memory
