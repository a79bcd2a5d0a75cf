"""Conditions on signals of the user's database: how they are written, when they hold, and what cannot be told."""

from pathlib import Path

import numpy as np
import pytest

from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.result import Result
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.errors import InputError
from busdoc.health.summary import Health
from busdoc.machine.condition import is_condition, parse_condition
from busdoc.machine.machine_map import machine_from_text
from busdoc.symptoms.condition_watch import ConditionWatch
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.decode.frame_text import block_of

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "dbc_examples" / "street_sweeper.dbc"
STORY = ROOT / "captures" / "sweeper_code"
NS = 10**9


def supply_id() -> str:
    (message, _) = load_databases([SWEEPER]).signal("HopperSupply.SensorSupply") or (None, None)
    assert message is not None
    return f"{message.frame_id:08X}"


def volts(at_s: float, supply: float | None) -> str:
    raw = 0xFFFF if supply is None else round(supply / 0.005)
    return f"{at_s} {supply_id()}#{'6810' + raw.to_bytes(2, 'little').hex().upper()}FFFFFFFF\n"


def watched(text: str, expression: str, *, cut: bool = False) -> Symptom:
    watch = ConditionWatch([parse_condition(expression, "--symptom")], load_databases([SWEEPER]))
    for piece in text.splitlines() if cut else [text]:
        watch.feed(block_of(f"{piece}\n"))
    health = Health(start_ns=0, until_ns=60 * NS, frames=1, error_frames=0, controllers=(), incidents=(), gaps=())
    (found,) = watch.symptoms(health)
    return found


STORY_OF_VOLTS = [5.0, 5.0, 4.5, 4.4, 5.0, 4.2, 5.0, None, None, 3.0, 3.1, 3.2]
TEXT = "".join(volts(float(n), supply) for n, supply in enumerate(STORY_OF_VOLTS))


@pytest.mark.parametrize(
    ("expression", "n_showings"),
    [
        ("HopperSupply.SensorSupply < 4.6", 3),
        ("HopperSupply.SensorSupply<4.6", 3),
        ("HopperSupply.SensorSupply <= 4.4", 3),
        ("HopperSupply.SensorSupply > 4.6", 3),
        ("HopperSupply.SensorSupply >= 5", 3),
        ("HopperSupply.SensorSupply == 4.5", 1),
        ("HopperSupply.SensorSupply != 5", 3),
        ("HopperSupply.SensorSupply in 4.5, 4.4", 1),
        ("HopperSupply.SensorSupply < 4.6 for 1.5 s", 2),
        ("HopperSupply.SensorSupply < 4.6 for 2.5", 0),
    ],
)
def test_every_comparison_and_hold(expression: str, n_showings: int) -> None:
    found = watched(TEXT, expression)
    assert found.kind is SymptomKind.CONDITION
    assert len(found.spans) == n_showings


def test_the_edges_lie_between_two_messages_and_not_available_is_unseen() -> None:
    found = watched(TEXT, "HopperSupply.SensorSupply < 4.6")
    assert [(s.not_yet_ns, s.since_ns, s.still_ns, s.gone_ns) for s in found.spans] == [
        (1 * NS, 2 * NS, 3 * NS, 4 * NS),
        (4 * NS, 5 * NS, 5 * NS, 6 * NS),
        (8 * NS, 9 * NS, 11 * NS, None),
    ]
    assert found.observable == ((0, 7 * NS), (9 * NS, 11 * NS))


@pytest.mark.parametrize("expression", ["HopperSupply.SensorSupply < 4.6", "HopperSupply.SensorSupply < 4.6 for 1.5 s"])
def test_where_the_blocks_are_cut_changes_nothing(expression: str) -> None:
    assert watched(TEXT, expression, cut=True) == watched(TEXT, expression)


@pytest.mark.parametrize(
    ("expression", "what"),
    [
        ("HopperSupply.SensorSupply < low", "a number"),
        ("HopperSupply.SensorSupply = 5", "condition"),
        ("SensorSupply < 4.6", "condition"),
        ("HopperSupply.SensorSupply < 4, 5", "several after"),
        ("HopperSupply.SensorSupply in 4,", "several after"),
    ],
)
def test_what_is_no_condition_is_refused_in_one_sentence(expression: str, what: str) -> None:
    with pytest.raises(InputError, match=what):
        parse_condition(expression, "--symptom")


def test_a_signal_that_the_database_does_not_have_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError, match=r"HopperSupply\.SensorSupply"):
        ConditionWatch([parse_condition("HopperSupply.SensrSupply < 4.6", "--symptom")], load_databases([SWEEPER]))


def test_names_of_symptoms_are_no_conditions() -> None:
    assert not any(is_condition(text) for text in ("dropout", "code:hopper:3509/4", "seen:red lamp in the cab"))


def result(symptom: str | None = None, machine: Path | None = None) -> Result:
    return postmortem(
        [STORY / "capture.log.gz"],
        databases=[SWEEPER],
        machine_file=machine or ROOT / "captures" / "street_sweeper" / "machine.toml",
        journal_file=STORY / "actions.csv",
        symptom=symptom,
    )


@pytest.mark.parametrize(
    "symptom",
    [
        None,
        "code:hopper:3509/4",
        "status:hopper",
        "counter",
        "HopperSupply.SensorSupply < 4.6 for 0.2 s",
        "HopperStatus.State in FAULT, RETRY",
    ],
)
def test_whatever_shows_it_the_same_part_is_named(symptom: str | None) -> None:
    """The second story of the sweeper: no frame is missed, a code comes and goes, and each sign of it suffices."""
    found = result(symptom)
    assert found.isolation is not None
    assert found.isolation.suspects[0].part == "gate-angle"
    assert found.isolation.suspects[0].probability > 0.95
    assert [because.action for _, because in found.answers] == [None, 9, 12]
    assert not found.trouble.incidents


def test_a_condition_has_a_name_in_the_map(tmp_path: Path) -> None:
    text = (ROOT / "captures" / "street_sweeper" / "machine.toml").read_text(encoding="utf-8")
    text += '\n[[symptom]]\nname = "sensor supply low"\nwhen = "HopperSupply.SensorSupply < 4.6"\nhold_s = 0.2\n'
    text += 'controller = "hopper"\nlatches = true\npoints_at = ["sensor"]\n'
    machine = tmp_path / "machine.toml"
    machine.write_text(text, encoding="utf-8")
    found = result("sensor supply low", machine)
    assert found.complaint is not None
    assert found.complaint.p_latches > 0.9
    assert found.isolation is not None
    assert found.isolation.suspects[0].part == "gate-angle"


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ('when = "HopperSupply.SensorSupply << 4"\n', "line 3"),
        ('when = "HopperSupply.SensorSupply < 4"\ncontroller = "hoper"\n', "controller"),
        ('when = "HopperSupply.SensorSupply < 4"\npoints_at = ["senser"]\n', "sensor"),
        ("hold_s = 1\n", "when"),
    ],
)
def test_a_mistake_in_the_map_s_symptom_is_named_with_its_line(line: str, what: str) -> None:
    with pytest.raises(InputError, match=what):
        machine_from_text(f'[[symptom]]\nname = "low"\n{line}[[controller]]\nname = "hopper"\n', "machine.toml")


def test_a_condition_without_a_database_is_refused() -> None:
    with pytest.raises(InputError, match="--db"):
        postmortem([STORY / "capture.log.gz"], symptom="HopperSupply.SensorSupply < 4.6")


def test_the_whole_story_cut_into_pieces_gives_the_same() -> None:
    blocks = list(open_capture([STORY / "capture.log.gz"]).blocks())
    whole = FrameBlock.concat(blocks)
    health = Health(
        start_ns=int(whole.t_ns[0]), until_ns=int(whole.t_ns[-1]), frames=1, error_frames=0, controllers=(),
        incidents=(), gaps=(),
    )  # fmt: skip
    found = []
    for n in (1, 700):
        watch = ConditionWatch(
            [parse_condition("HopperStatus.State in FAULT, RETRY", "--symptom")], load_databases([SWEEPER])
        )
        for piece in np.array_split(np.arange(len(whole)), n):
            watch.feed(whole.slice(int(piece[0]), int(piece[-1]) + 1))
        found.append(watch.symptoms(health))
    assert found[0] == found[1]
    assert len(found[0][0].spans) == 3
