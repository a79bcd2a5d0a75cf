"""Fault codes that a controller says in a signal of its own, as the machine map declares them."""

import numpy as np
import pytest

from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.summary import Transitions
from busdoc.health.codes.code import CodeKind
from busdoc.health.codes.code_pointer import CodePointer
from busdoc.health.codes.status_code import counter_codes, status_codes, status_incidents
from busdoc.health.incident import IncidentKind
from busdoc.machine.machine import CodeHint, StatusSignal

LABELS = {0: "OK", 1: "FAULT", 2: "RETRY", 3: "LIMP"}


def changes(*said: tuple[int, float | None], name: str = "HopperStatus.State", id_: int = 0x18FF3131) -> Transitions:
    """Give the transitions (second, value or None for 'not available') of one signal."""
    n = len(said)
    values = np.array([np.nan if value is None else value for _, value in said], np.float64)
    return Transitions(
        name=name,
        t_ns=np.array([second * 10**9 for second, _ in said], np.int64),
        raw=np.nan_to_num(values).astype(np.int64),
        value=values,
        label=tuple("" if value is None else LABELS.get(int(value), "") for _, value in said),
        status=np.where(np.isnan(values), SignalStatus.NOT_AVAILABLE, SignalStatus.VALID).astype(np.uint8),
        channel=np.zeros(n, np.uint8),
        id=np.full(n, id_, np.uint32),
        only_status=False,
        n_not_kept=0,
    )


def declared(*bad: str | float, bad_range: tuple[float, float] | None = None) -> StatusSignal:
    return StatusSignal(controller="hopper", signal="HopperStatus.State", bad=bad, bad_range=bad_range)


def test_each_bad_value_is_a_code_with_its_own_stretches() -> None:
    codes = status_codes(declared("FAULT", "RETRY"), changes((0, 0), (5, 1), (8, 2), (9, 0), (20, 1)), 30 * 10**9)
    fault, retry = codes
    assert (fault.kind, fault.code, fault.controller) == (CodeKind.STATUS, "HopperStatus.State = FAULT", "hopper")
    assert fault.active_spans == ((5 * 10**9, 8 * 10**9), (20 * 10**9, None))
    assert (fault.occurrences, fault.active, fault.first_ns, fault.last_ns) == (2, True, 5 * 10**9, 30 * 10**9)
    assert (retry.active_spans, retry.active, retry.last_ns) == (((8 * 10**9, 9 * 10**9),), False, 9 * 10**9)


def test_a_number_without_a_name_can_be_bad() -> None:
    (code,) = status_codes(declared(7), changes((0, 0), (5, 7), (6, 0)), 9 * 10**9)
    assert code.code == "HopperStatus.State = 7"


def test_a_range_is_one_code_while_the_value_stays_in_it() -> None:
    said = changes((0, 20), (5, 95), (6, 118), (8, 121), (9, 90), (10, 50))
    (code,) = status_codes(declared(bad_range=(90, 120)), said, 20 * 10**9)
    assert code.code == "HopperStatus.State in 90 … 120"
    assert code.active_spans == ((5 * 10**9, 8 * 10**9), (9 * 10**9, 10 * 10**9))


def test_a_value_that_is_not_available_ends_the_code() -> None:
    (code,) = status_codes(declared("FAULT"), changes((0, 1), (5, None)), 9 * 10**9)
    assert code.active_spans == ((0, 5 * 10**9),)


def test_a_signal_that_was_never_bad_is_no_code() -> None:
    assert status_codes(declared("FAULT"), changes((0, 0), (5, 3)), 9 * 10**9) == ()


def test_a_declaration_of_nothing_bad_gives_no_code() -> None:
    assert status_codes(declared(), changes((0, 1)), 9 * 10**9) == ()


@pytest.mark.parametrize("status", ["HopperStatus.State", "HopperStatus.State = FAULT"])
def test_the_map_says_where_a_status_points(status: str) -> None:
    pointer = CodePointer((CodeHint(controller="hopper", status=status, points_at=("gate-angle",)),), lambda c, a: "")
    (code,) = status_codes(declared("FAULT"), changes((0, 1)), 9 * 10**9, pointer)
    assert code.points_at == ("gate-angle",)


def test_every_step_up_of_a_counter_is_an_attempt() -> None:
    said = changes((0, 3), (5, 4), (9, 6), (20, 0), (25, 1), name="HopperStatus.Retries")
    (code,) = counter_codes("hopper", said)
    assert (code.code, code.occurrences, code.controller_count) == ("HopperStatus.Retries counted up", 3, 1)
    assert "4 attempts" in code.text  # 3 to 4, 4 to 6, and 0 to 1 after it started anew
    assert [raised for raised, _ in code.active_spans] == [5 * 10**9, 9 * 10**9, 25 * 10**9]


def test_a_counter_that_stands_still_is_no_code() -> None:
    assert counter_codes("hopper", changes((0, 3), name="HopperStatus.Retries")) == ()


def test_each_raise_of_a_status_is_an_incident() -> None:
    codes = status_codes(declared("FAULT"), changes((0, 0), (5, 1), (8, 0), (20, 1)), 30 * 10**9)
    incidents = status_incidents(codes, 0)
    assert [(found.kind, found.onset_ns, found.back_ns) for found in incidents] == [
        (IncidentKind.CODE, 5 * 10**9, 8 * 10**9),
        (IncidentKind.CODE, 20 * 10**9, None),
    ]
    assert incidents[0].code == "HopperStatus.State = FAULT"
