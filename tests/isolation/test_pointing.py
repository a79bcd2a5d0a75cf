"""Where a symptom points: failure modes (SAE J1939-73 appendix A, rules of the trade) and shared sensor supplies."""

import pytest

from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.isolation.suspects.prior import part_weights
from busdoc.machine.machine import CodeHint, Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.symptoms.failure_modes import kinds_of_failure
from busdoc.symptoms.of_codes import code_symptoms
from busdoc.symptoms.symptom import Symptom, SymptomKind
from tests.truth.hand_records import NS, sweeper
from tests.truth.hopper_health import hopper

MAP = """
[[controller]]
name = "hopper"
address = 0x31
[[part]]
name = "gate-angle"
kind = "sensor"
into = "hopper:A"
supply = "hopper:5V-1"
[[part]]
name = "tilt-angle"
kind = "sensor"
into = "hopper:B"
supply = "hopper:5V-1"
[[part]]
name = "fill-level"
kind = "sensor"
into = "hopper:C"
supply = "hopper:5V-1"
[[part]]
name = "prop-switch"
kind = "sensor"
into = "hopper:D"
[[code]]
controller = "hopper"
spn = 520001
points_at = ["gate-angle"]
[[code]]
controller = "hopper"
spn = 520002
points_at = ["tilt-angle"]
"""


@pytest.mark.parametrize(
    ("fmi", "kinds"),
    [
        (4, {"sensor", "harness"}),  # voltage below normal, or shorted low
        (6, {"sensor", "harness"}),  # current above normal, or grounded
        (3, {"connector", "harness"}),  # voltage above normal, or shorted high
        (5, {"connector", "harness"}),  # current below normal, or open
        (2, {"connector", "harness"}),  # erratic
        (7, {"actuator"}),  # mechanics do not respond
        (31, set()),  # condition exists
        (19, set()),  # received network data in error: the network's, not a part's
    ],
)
def test_a_failure_mode_speaks_of_kinds_of_parts(fmi: int, kinds: set[str]) -> None:
    assert set(kinds_of_failure([fmi])) == kinds


def weights(machine: Machine, symptom: Symptom | None) -> dict[str, float]:
    parts = [*machine.parts, *machine.controllers]
    return dict(zip(parts, part_weights(machine, parts, machine.controllers, (), symptom).tolist(), strict=True))


def symptom(failure_kinds: tuple[str, ...] = ()) -> Symptom:
    return Symptom(
        kind=SymptomKind.CODE,
        name="",
        text="",
        controller="hopper",
        spans=(),
        observable=(),
        latency_ns=0,
        failure_kinds=failure_kinds,
    )


def test_it_tilts_and_does_not_decide() -> None:
    plain, tilted = weights(sweeper(), symptom()), weights(sweeper(), symptom(failure_kinds=("sensor", "harness")))
    assert plain == weights(sweeper(), None)
    assert tilted["gate-angle"] / tilted["tilt-valve"] == pytest.approx(2.0 * plain["gate-angle"] / plain["tilt-valve"])
    assert tilted["harness-A"] / tilted["hopper"] == pytest.approx(2.0 * plain["harness-A"] / plain["hopper"])


def code(spn: int, from_s: float, to_s: float) -> FaultCode:
    return FaultCode(
        controller="hopper",
        kind=CodeKind.SPN_FMI,
        code=f"SPN {spn} FMI 4",
        text="",
        occurrences=1,
        first_ns=round(from_s * NS),
        last_ns=round(to_s * NS),
        active=False,
        active_spans=((round(from_s * NS), round(to_s * NS)),),
        spn=spn,
        fmi=4,
        points_at={520_001: ("gate-angle",), 520_002: ("tilt-angle",)}[spn],
    )


def test_values_of_one_supply_that_go_wrong_together_point_at_all_its_loads() -> None:
    """Common practice: a shorted sensor takes its shared 5 V down, and unplugging the guilty one cures all."""
    machine = machine_from_text(MAP, "machine.toml")
    (together,) = code_symptoms([code(520_001, 5.0, 20.0), code(520_002, 5.4, 20.2)], hopper(30.0), machine)
    assert together.points_at == ("gate-angle", "tilt-angle", "hopper:5V-1")
    given = weights(machine, together)
    assert given["fill-level"] == given["gate-angle"] == pytest.approx(4.0 * given["prop-switch"])
    apart = code_symptoms([code(520_001, 5.0, 10.0), code(520_002, 15.0, 20.2)], hopper(30.0), machine)
    assert [one.points_at for one in apart] == [("gate-angle",), ("tilt-angle",)]


def test_a_map_may_point_at_a_supply_and_must_know_its_controller() -> None:
    text = MAP + '[[code]]\ncontroller = "hopper"\nspn = 3509\npoints_at = ["hopper:5V-1"]\nlatches = true\n'
    hint = machine_from_text(text, "machine.toml").codes[-1]
    assert hint == CodeHint(controller="hopper", spn=3509, points_at=("hopper:5V-1",), latches=True)
    from busdoc.errors import InputError

    with pytest.raises(InputError, match="sensor supply"):
        machine_from_text(MAP.replace('"hopper:5V-1"', '"hoper:5V-1"'), "machine.toml")
