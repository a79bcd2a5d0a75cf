"""Alerts of NMEA 2000 devices: bytes as an open library packs them, and their course as a kind of fault code."""

import pytest

from busdoc.decode.nmea2000.alert import AlertState, read_alert, read_alert_text
from busdoc.health.codes.code import CodeKind
from busdoc.health.codes.code_watch import CodeWatch
from busdoc.symptoms.complaint import named
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.decode.frame_text import block_of, cut_at

# Packed by the library nmea2000 2026.10.3 (PyPI): a technical warning of system 5, sub-system 1, number 4711; its text.
NAME = "1505016712A7A6A5A4A3A2A1A0020307"
ALERT = NAME + "F800000000000000001109"
TEXT = NAME + "0112014F696C207072657373757265206C6F770D01656E67696E6520726F6F6D"
TEXT_FRAMES = """
0.10 1DF00923#40301505016712A7
0.11 1DF00923#41A6A5A4A3A2A1A0
0.12 1DF00923#420203070112014F
0.13 1DF00923#43696C2070726573
0.14 1DF00923#4473757265206C6F
0.15 1DF00923#45770D01656E6769
0.16 1DF00923#466E6520726F6F6D
"""


def said(t_s: float, state: AlertState, address: str = "23") -> str:
    first = ("201C1505016712A7", "21A6A5A4A3A2A1A0", "22020307F8000000", "2300000000001109")
    frames = (*first, f"24{state:02X}FFFFFFFFFFFF")
    return "\n".join(f"{t_s + n / 1000:.3f} 1DF007{address}#{frame}" for n, frame in enumerate(frames)) + "\n"


STORY = (
    TEXT_FRAMES
    + said(1.0, AlertState.NORMAL)
    + said(5.0, AlertState.ACTIVE)
    + said(6.0, AlertState.ACTIVE)
    + said(8.0, AlertState.ACKNOWLEDGED)
    + said(20.0, AlertState.NORMAL)
    + said(30.0, AlertState.ACTIVE)
)


def watched(*cuts: int) -> CodeWatch:
    watch = CodeWatch(names=lambda channel, address: {0x23: "engine"}.get(address, f"address {address}"))
    for block in cut_at(block_of(STORY), list(cuts)):
        watch.feed(block)
    return watch


def test_an_alert_is_read_as_it_was_packed() -> None:
    one = read_alert(bytes.fromhex(ALERT + "02"))
    assert one is not None
    assert one.name.code == "Alert 5/1/4711"
    assert (one.name.source_name, one.name.instance, one.name.index) == (0xA0A1A2A3A4A5A6A7, 2, 3)
    assert (one.kind, one.category, one.occurrence, one.state) == (5, 1, 7, AlertState.ACTIVE)
    assert read_alert_text(bytes.fromhex(TEXT)) == (one.name, "Oil pressure low, engine room")
    assert read_alert(bytes.fromhex(ALERT)) is None  # a byte too short


@pytest.mark.parametrize(
    ("state", "active", "over"),
    [*((n, False, True) for n in (0, 1)), *((n, True, False) for n in (2, 3, 4, 5)), (255, False, False)],
)
def test_what_is_silenced_or_acknowledged_is_there_all_the_same(state: int, active: bool, over: bool) -> None:
    one = read_alert(bytes.fromhex(f"{ALERT}{state:02X}"))
    assert one is not None
    assert (one.is_active, one.is_over) == (active, over)


@pytest.mark.parametrize("cuts", [(), (3, 9, 14), (12, 13)])
def test_an_alert_is_a_fault_code_until_its_device_says_that_all_is_normal(cuts: tuple[int, ...]) -> None:
    (code,) = watched(*cuts).codes(40 * 10**9)
    assert (code.controller, code.kind, code.code) == ("engine", CodeKind.ALERT, "Alert 5/1/4711")
    assert code.text == "Oil pressure low, engine room (technical warning)"
    assert (code.occurrences, code.active, code.controller_count) == (2, True, 7)
    assert [(a // 10**8, b and b // 10**8) for a, b in code.active_spans] == [(50, 200), (300, None)]
    assert len(watched(*cuts).incidents(40 * 10**9)) == 2


def test_an_alert_can_be_asked_for_by_its_numbers() -> None:
    one = Symptom(
        kind=SymptomKind.CODE,
        name="code:engine:Alert 5/1/4711",
        text="",
        controller="engine",
        spans=(),
        observable=(),
        latency_ns=0,
        codes=("Alert 5/1/4711",),
    )
    assert named([one], "code:engine:5/1/4711") is one
    assert named([one], "code:Alert 5/1/4711") is one
    assert named([one], "code:engine") is one


@pytest.mark.parametrize("payload", ["", *(NAME + rest for rest in ("", "01", "010000", "01FF01414243", "0103004142"))])
def test_a_text_that_is_cut_off_or_odd_is_no_traceback(payload: str) -> None:
    told = read_alert_text(bytes.fromhex(payload))
    assert told is None or told[1].isprintable()
