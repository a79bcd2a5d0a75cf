"""NAMEs against SAE J1939-81 4.1, a published claim, and can-j1939 where it does not drop the reserved bit."""

import j1939
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.decode.j1939.can_name import can_name_of, function_text, read_can_name

KEYPAD = bytes.fromhex("3F426F1A00823CC0")  # published in a keypad maker's manual, sent as 0x18EEFF21


def test_the_published_claim_of_a_keypad_reads_as_its_maker_says() -> None:
    name = read_can_name(can_name_of(KEYPAD))
    assert name.value == 0xC03C82001A6F423F
    assert name.is_arbitrary_address_capable
    assert (name.industry_group, name.vehicle_system_instance, name.vehicle_system) == (4, 0, 30)
    assert (name.function, name.function_instance, name.ecu_instance) == (130, 0, 0)
    assert (name.manufacturer, name.identity_number) == (211, 999999)


def test_instances_and_maker_lie_where_the_standard_puts_them() -> None:
    name = read_can_name(can_name_of(bytes.fromhex("40E22122118202B0")))
    assert (name.industry_group, name.vehicle_system, name.function) == (3, 1, 130)
    assert (name.function_instance, name.ecu_instance, name.manufacturer, name.identity_number) == (2, 1, 273, 123456)


def test_the_reserved_bit_stays_in_the_value() -> None:
    wire = bytes.fromhex("010203A4B5C6D7E8")
    assert read_can_name(can_name_of(wire)).value == 0xE8D7C6B5A4030201
    assert read_can_name(can_name_of(wire)).reserved == 1


def test_the_lower_number_is_the_name_that_wins() -> None:
    # SAE J1939-81: NAMEs compared as unsigned 64-bit numbers
    assert can_name_of(bytes.fromhex("41E22122098202B0")) < can_name_of(bytes.fromhex("40E22122118202B0"))


@given(st.integers(0, (1 << 64) - 1))
def test_every_field_is_what_can_j1939_reads(value: int) -> None:
    theirs, ours = j1939.Name(value=value), read_can_name(value)
    assert ours.is_arbitrary_address_capable == bool(theirs.arbitrary_address_capable)
    assert (ours.industry_group, ours.vehicle_system_instance) == (
        theirs.industry_group,
        theirs.vehicle_system_instance,
    )
    assert (ours.vehicle_system, ours.function) == (theirs.vehicle_system, theirs.function)
    assert (ours.function_instance, ours.ecu_instance) == (theirs.function_instance, theirs.ecu_instance)
    assert (ours.manufacturer, ours.identity_number) == (theirs.manufacturer_code, theirs.identity_number)


@pytest.mark.parametrize(
    ("function", "text"), [(0, "engine"), (3, "transmission"), (9, "brakes"), (29, "virtual terminal")]
)
def test_functions_that_mean_the_same_everywhere_have_names(function: int, text: str) -> None:
    assert function_text(function) == text  # ISO 11783-1 online data base, from memory


def test_a_function_of_one_industry_stays_a_number() -> None:
    assert function_text(130) is None
    assert str(read_can_name(can_name_of(KEYPAD))) == "function 130, marine, maker 211, number 999999"
