"""Who falls with whom: common feeds, segments, controllers alone, and chance."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from busdoc.health.incident import Incident, IncidentKind
from busdoc.intermittent.groups import Group, find_groups
from busdoc.intermittent.groups_evidence import CauseKind, Cluster, list_causes, sign_of, weigh_causes
from busdoc.machine.machine import Machine
from tests.truth.hand_records import NS, dropout, sweeper

NAMES = ("engine", "display", "broom", "hopper", "fan", "lift")


def groups_of(incidents: list[Incident], machine: Machine | None = None, hours: float = 5.0) -> tuple[Group, ...]:
    return find_groups(
        incidents,
        range(len(incidents)),
        sweeper() if machine is None else machine,
        [(name, 0) for name in NAMES],
        start_ns=0,
        watched_s=3600.0 * hours,
    )


def falls(*names: str, n: int = 4, p_restarted: float | None = 0.97, from_s: float = 100.0) -> list[Incident]:
    return [dropout(from_s + 1000.0 * k, from_s + 4.0 + 1000.0 * k, *names, p_restarted=p_restarted) for k in range(n)]


def test_controllers_of_one_fuse_that_restart_together_point_to_the_fuse() -> None:
    (group,) = groups_of(falls("engine", "display"))
    assert group.controllers == ("engine", "display")
    assert (group.likeliest.kind, group.likeliest.part) == (CauseKind.FEED, "fuse-1")
    assert group.likeliest.probability > 0.8


def test_of_a_silent_bus_nobody_falls_alone() -> None:
    """However slow the others' own streams are: none was heard."""
    silences = [replace(one, kind=IncidentKind.BUS_SILENCE) for one in falls("engine", p_restarted=0.03)]
    (group,) = groups_of(silences, Machine())
    assert group.controllers == NAMES
    assert group.likeliest.kind is CauseKind.BUS
    assert [cause.kind for cause in group.causes].count(CauseKind.WIRING) == 0
    (elsewhere,) = groups_of([replace(one, channel=1) for one in silences], Machine())
    assert elsewhere.controllers == ("engine",)


def test_addresses_of_one_box_fall_as_one() -> None:
    """Without a map, two that fall together share something; two addresses of one box are that box alone."""
    fell = falls("engine", "display")

    def group(*boxes: tuple[str, ...]) -> Group:
        heard = [(name, 0) for name in NAMES]
        rows = range(len(fell))
        (found,) = find_groups(fell, rows, Machine(), heard, start_ns=0, watched_s=18_000.0, boxes=boxes)
        return found

    assert group().likeliest.kind is CauseKind.SUPPLY
    box = group(("engine", "display"))
    assert (box.controllers, box.likeliest.kind) == (("engine", "display"), CauseKind.CONTROLLER)
    assert box.words.startswith(
        "one box (engine, display) falls alone (4 times, restarted each time): its own plug, its own supply wires"
    )


def test_who_is_the_only_one_on_the_bus_falls_neither_alone_nor_together_with_others() -> None:
    """All but the engine's controller went off at 50 s; what takes the whole bus away then takes it alone."""
    off = dropout(50.0, None, *NAMES[1:], p_restarted=None)
    alone = falls("engine")
    assert [group.incidents for group in groups_of([off, *alone])] == [(0,)]
    assert [group.controllers for group in groups_of(alone)] == [("engine",)]


def test_controllers_that_are_both_on_one_fuse_and_one_trunk_are_told_apart_by_the_way_they_come_back() -> None:
    (restarted,) = groups_of(falls("hopper", "fan", "lift", p_restarted=0.97))
    (kept,) = groups_of(falls("hopper", "fan", "lift", p_restarted=0.03))
    assert (restarted.likeliest.part, restarted.restarted, restarted.kept_running) == ("fuse-3", 4, 0)
    assert (kept.likeliest.part, kept.restarted, kept.kept_running) == ("rear-trunk", 0, 4)


def test_where_nothing_tells_how_they_came_back_feed_and_segment_share_the_probability() -> None:
    (group,) = groups_of(falls("hopper", "fan", "lift", p_restarted=None))
    shares = {cause.part: cause.probability for cause in group.causes}
    assert shares["fuse-3"] == pytest.approx(0.5, abs=0.2)
    assert shares["rear-trunk"] == pytest.approx(0.5, abs=0.2)


def test_one_that_always_falls_alone_points_to_itself() -> None:
    (group,) = groups_of(falls("broom"))
    assert (group.likeliest.kind, group.likeliest.part) == (CauseKind.CONTROLLER, "broom")
    assert "falls alone (4 times, restarted each time)" in group.words


def test_two_causes_make_two_groups() -> None:
    incidents = falls("hopper", "fan", "lift", n=5) + falls("broom", n=7, from_s=600.0)
    first, second = groups_of(incidents)
    assert (first.controllers, second.controllers) == (("broom",), ("hopper", "fan", "lift"))
    assert set(first.incidents) == set(range(5, 12))


def test_a_controller_that_rides_through_some_dips_of_its_fuse_does_not_hide_the_fuse() -> None:
    incidents = falls("hopper", "fan", "lift", n=5) + falls("hopper", "fan", n=2, from_s=600.0)
    (group,) = groups_of(incidents)
    assert group.likeliest.part == "fuse-3"
    assert len(group.incidents) == 7


def test_a_controller_that_was_away_already_is_not_missed_from_its_group() -> None:
    away = dropout(10.0, None, "lift")
    incidents = [away, *falls("hopper", "fan", n=4)]
    found = {group.controllers: group for group in groups_of(incidents)}
    assert found["hopper", "fan"].likeliest.part == "fuse-3"


def test_everything_at_once_points_to_the_main_supply_when_all_restart_and_to_the_bus_when_none_does() -> None:
    (restarted,) = groups_of(falls(*NAMES))
    (kept,) = groups_of(falls(*NAMES, p_restarted=0.03))
    assert restarted.likeliest.part == "battery"
    assert kept.likeliest.kind in (CauseKind.SEGMENT, CauseKind.BUS)
    assert {cause.part for cause in kept.causes[:2]} == {"front-trunk", "0"}


def test_without_a_map_the_group_itself_and_the_way_it_comes_back_suggest_supply_or_wiring() -> None:
    (supply,) = groups_of(falls("hopper", "lift"), Machine())
    (wiring,) = groups_of(falls("hopper", "lift", p_restarted=0.03), Machine())
    assert supply.likeliest.kind is CauseKind.SUPPLY
    assert wiring.likeliest.kind is CauseKind.WIRING
    assert "fall together (4 times, restarted each time)" in supply.words


def test_a_group_that_no_feed_of_the_map_covers_is_said_to_be_off_the_map() -> None:
    (group,) = groups_of(falls("display", "broom", n=6))
    assert group.likeliest.kind is CauseKind.SUPPLY
    assert group.likeliest.part is None


def test_two_that_fall_all_the_time_and_once_at_the_same_moment_did_so_by_chance() -> None:
    often = [dropout(20.0 * k, 20.0 * k + 4.0, "broom") for k in range(1, 80)]
    others = [dropout(20.0 * k + 9.0, 20.0 * k + 13.0, "engine") for k in range(1, 80)]
    both = [dropout(1700.0, 1704.0, "broom", "engine")]
    found = groups_of(often + others + both, hours=0.5)
    assert all(len(group.controllers) == 1 or group.likeliest.kind is CauseKind.CHANCE for group in found)


def test_no_incident_gives_no_group() -> None:
    assert groups_of([]) == ()


def test_the_likelihood_of_a_cause_is_the_beta_binomial_one() -> None:
    """Against scipy.stats.betabinom, whose count of orders is taken out."""
    causes = list_causes(sweeper(), NAMES, [0] * 6)
    cluster = Cluster(
        rows=(0, 1, 2),
        fell=np.array([0, 0, 0, 3, 3, 2]),
        stayed=np.array([3, 3, 3, 0, 0, 1]),
        sign=np.zeros(len(CauseKind)),
    )
    weighed, log_weight = weigh_causes(cluster, causes, np.full(6, 1e-4))
    fuse = next(k for k, cause in enumerate(weighed) if cause.part == "fuse-3")
    inside = betabinom.logpmf(3, 3, 5.0, 0.8) * 2 + betabinom.logpmf(2, 3, 5.0, 0.8) - np.log(3)
    outside = 3 * betabinom.logpmf(0, 3, 0.3, 40.0)
    assert log_weight[fuse] - weighed[fuse].log_prior == pytest.approx(inside + outside, rel=1e-9)


def test_a_return_that_tells_nothing_weighs_nothing() -> None:
    assert np.array_equal(sign_of(np.array([np.nan])), np.zeros((1, len(CauseKind))))


@settings(max_examples=25)
@given(data=st.data())
def test_neither_the_order_of_incidents_nor_the_clock_matters(data: st.DataObject) -> None:
    sets = data.draw(st.lists(st.sets(st.sampled_from(NAMES), min_size=1), min_size=1, max_size=8))
    shift_s = data.draw(st.integers(1, 10**6))
    order = data.draw(st.permutations(range(len(sets))))
    incidents = [dropout(100.0 * (k + 1), 100.0 * k + 104.0, *sorted(names)) for k, names in enumerate(sets)]
    moved = [dropout(100.0 * (k + 1) + shift_s, 100.0 * k + 104.0 + shift_s, *sorted(sets[k])) for k in order]
    plain = find_groups(incidents, range(len(sets)), sweeper(), [(n, 0) for n in NAMES], start_ns=0, watched_s=3600.0)
    other = find_groups(
        moved, range(len(sets)), sweeper(), [(n, 0) for n in NAMES], start_ns=shift_s * NS, watched_s=3600.0
    )
    assert {g.controllers for g in plain} == {g.controllers for g in other}
    for group in plain:
        assert sum(cause.probability for cause in group.causes) == pytest.approx(1.0, abs=0.06)


@settings(max_examples=15)
@given(n=st.integers(2, 12))
def test_more_of_the_same_makes_the_cause_surer(n: int) -> None:
    (few,) = groups_of(falls("hopper", "fan", "lift", n=n))
    (more,) = groups_of(falls("hopper", "fan", "lift", n=n + 3), hours=8.0)
    assert more.likeliest.probability >= few.likeliest.probability - 1e-9


def test_restarts_over_and_over_are_one_incident_and_each_a_fall() -> None:
    """Two falls apart, and a spell of three of which one is not known to have restarted."""
    apart = falls("hopper", n=2)
    each = [
        dropout(5000.0 + 10.0 * k, 5004.0 + 10.0 * k, "hopper", p_restarted=p) for k, p in enumerate((0.9, 0.9, 0.5))
    ]
    losses = tuple(loss for one in each for loss in one.losses)
    spell = replace(each[0], kind=IncidentKind.RESTARTING, back_ns=each[-1].back_ns, losses=losses)
    (group,) = groups_of([*apart, spell])
    assert (len(group.incidents), group.falls, group.restarted) == (3, 5, 4)
    assert group.words.startswith("hopper falls alone (5 times, restarted 4 of 5 times)")
