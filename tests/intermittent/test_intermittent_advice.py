"""What to do next about an intermittent dropout: numbers that hold, and words that name the right place."""

import numpy as np
import pytest
from scipy import stats

from busdoc.intermittent.advice import Advice, AdviceKind, advise, trials_to_show
from busdoc.intermittent.dropouts import Watched
from busdoc.intermittent.groups import Group, GroupCause
from busdoc.intermittent.groups_evidence import CauseKind
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.precursors.covariate_features import FeatureKind
from busdoc.intermittent.precursors.event_kind import EventSource
from busdoc.intermittent.rate_shape import Rate, measure_rate
from busdoc.machine.machine import Machine
from tests.truth.hand_records import sweeper

HOUR = 3600 * 10**9


def rate_of(n: int, hours: float = 10.0) -> Rate:
    lost_ns = np.array([round((k + 0.5) * hours / n * HOUR) for k in range(n)], np.int64)
    return measure_rate(lost_ns, [int(t) + 5 * 10**9 for t in lost_ns], Watched.between(0, round(hours * HOUR)))


def group(kind: CauseKind, part: str | None, *controllers: str) -> Group:
    cause = GroupCause(kind=kind, part=part, probability=0.9, words="")
    return Group(
        controllers=controllers,
        others=(),
        incidents=(0, 1, 2),
        falls=3,
        restarted=3,
        kept_running=0,
        together_by_chance=0.0,
        causes=(cause,),
        words="",
    )


def event(followed: int = 60, said_by: str = "boom") -> Antecedent:
    return Antecedent(
        name="Boom.Raised became 1 (on)",
        signal="Boom.Raised",
        controllers=("hopper",),
        source=EventSource.SIGNAL,
        controller=said_by,
        window_s=1.0,
        n_dropouts=20,
        n_preceded=19,
        n_events=100,
        n_followed=followed,
        by_chance=0.02,
        trigger_by_chance=0.01,
        explained=0.9,
        explained_low=0.7,
        explained_high=1.0,
        lags_s=(0.4, 0.5, 0.6),
        order_unclear=False,
        is_sure=True,
        p=1e-9,
        chances=(),
    )


def value(*, is_voltage: bool = False) -> Covariate:
    return Covariate(
        name="Engine.OilTemperature",
        signal="Engine.OilTemperature",
        controllers=("hopper",),
        unit="V" if is_voltage else "degC",
        kind=FeatureKind.LEVEL,
        direction=1,
        window_s=0.0,
        n_dropouts=20,
        explained=0.7,
        p=1e-6,
        separates=0.9,
        separates_low=0.8,
        separates_high=1.0,
        threshold=80.0,
        threshold_low=78.0,
        threshold_high=81.0,
        n_beyond=15,
        share_beyond=0.1,
    )


def of_kind(advice: tuple[Advice, ...], kind: AdviceKind) -> list[Advice]:
    return [one for one in advice if one.kind is kind]


def test_few_dropouts_ask_for_more_hours() -> None:
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(4)], (), (), sweeper())
    (record,) = of_kind(advice, AdviceKind.RECORD)
    assert record.hours == pytest.approx(15.0)
    assert "about 15 hours more" in record.words


def test_an_event_and_a_value_ask_for_a_recording_that_tells_them_apart() -> None:
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(20)], (event(), value()), (), sweeper())
    record = of_kind(advice, AdviceKind.RECORD)[0]
    assert 'with the event "Boom.Raised became 1 (on)" every 10 minutes' in record.words
    assert "Engine.OilTemperature" in record.words
    assert "to tell the two apart" in record.words


def test_what_the_lost_controller_says_itself_is_a_sign_and_is_not_provoked() -> None:
    own = event(said_by="hopper")
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(20)], (own,), (), sweeper())
    assert of_kind(advice, AdviceKind.RECORD) == []


def test_nobody_is_asked_to_hold_a_supply_high_by_hand() -> None:
    low = value(is_voltage=True)
    advice = advise([group(CauseKind.FEED, "fuse-3", "hopper")], [rate_of(20)], (event(), low), (), sweeper())
    assert "to see that it stays so" in of_kind(advice, AdviceKind.RECORD)[0].words


def test_an_event_that_was_not_proved_asks_to_be_provoked() -> None:
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(12)], (), (event(),), sweeper())
    assert "to tell it from chance" in of_kind(advice, AdviceKind.RECORD)[0].words


@pytest.mark.parametrize(("share", "by_chance"), [(0.6, 0.02), (0.3, 0.01), (0.5, 0.05)])
def test_provoking_so_often_proves_it_as_often_as_promised(share: float, by_chance: float) -> None:
    """Power of the one-sided binomial test at 5 %, by scipy.stats.binom."""
    n = trials_to_show(share, by_chance)
    assert n is not None
    proving = next(k for k in range(n + 1) if stats.binom.sf(k - 1, n, by_chance) <= 0.05)
    assert stats.binom.sf(proving - 1, n, share) >= 0.8


def test_an_event_that_is_hardly_ever_followed_cannot_be_provoked_in_a_lifetime() -> None:
    assert trials_to_show(0.0501, 0.05) is None


@pytest.mark.parametrize(
    ("kind", "part", "names", "where"),
    [
        (CauseKind.FEED, "fuse-3", ("hopper", "fan"), "fuse-3 and at the supply pins of hopper and fan"),
        (CauseKind.SEGMENT, "rear-trunk", ("hopper", "fan"), "the far end of rear-trunk"),
        (CauseKind.BUS, "0", ("hopper", "fan"), "Check the recorder's own lead"),
        (CauseKind.CONTROLLER, "hopper", ("hopper",), "pins of hopper itself"),
    ],
)
def test_the_meter_goes_where_the_group_points_to(
    kind: CauseKind, part: str, names: tuple[str, ...], where: str
) -> None:
    advice = advise([group(kind, part, *names)], [rate_of(12)], (), (), sweeper())
    assert where in of_kind(advice, AdviceKind.MEASURE)[0].words


def test_a_controller_alone_has_its_own_plug_wiggled_first_and_then_its_suspects() -> None:
    suspects = (("harness-B", 0.4), ("fuse-3", 0.3), ("harness-A", 0.2))
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(12)], (), (), sweeper(), suspects)
    words = of_kind(advice, AdviceKind.WIGGLE)[0].words
    assert words.startswith("Wiggle the plug of hopper first, then harness-B and harness-A")


def test_without_a_map_the_wiring_diagram_is_asked_for_what_they_share() -> None:
    advice = advise([group(CauseKind.SUPPLY, None, "hopper", "fan")], [rate_of(12)], (), (), Machine())
    assert "that hopper and fan share" in of_kind(advice, AdviceKind.WIGGLE)[0].words


def test_a_low_supply_before_the_dropouts_of_one_controller_sends_the_meter_to_its_pins_under_load() -> None:
    advice = advise(
        [group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(12)], (value(is_voltage=True),), (), sweeper()
    )
    assert "engine cranking" in of_kind(advice, AdviceKind.MEASURE)[0].words


def test_the_watch_after_a_repair_is_the_exact_one() -> None:
    advice = advise([group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(12)], (), (), sweeper())
    (watch,) = of_kind(advice, AdviceKind.WATCH)
    assert watch.hours == pytest.approx(10.0 * (0.05 ** (-1 / 12) - 1.0))


def test_where_nothing_was_there_to_try_a_database_is_asked_for() -> None:
    advice = advise(
        [group(CauseKind.CONTROLLER, "hopper", "hopper")], [rate_of(12)], (), (), sweeper(), anything_tried=False
    )
    assert "--db" in of_kind(advice, AdviceKind.RECORD)[0].words
