"""Which losses are one incident, on both sides of each limit."""

import pytest

from busdoc.health.incident import IncidentKind, Loss, RanOn
from busdoc.health.presence.common_loss import UnownedStream, group_by_common_loss
from busdoc.health.presence.loss_grouping import (
    ControllerLoss,
    group_losses,
    incident_of,
    weighed_together,
)
from tests.health.presence.made_streams import MS, S


def loss(
    name: str,
    last_seen_ns: int,
    onset_ns: int | None = None,
    *,
    back_ns: int | None = 30 * S,
    steady_ns: int | None = 31 * S,
    ran_on: RanOn = RanOn.UNKNOWN,
    p_restarted: float | None = None,
    evidence: tuple[str, ...] = (),
    channel: int = 0,
    deadline_ns: int = 250 * MS,
) -> ControllerLoss:
    return ControllerLoss(
        loss=Loss(
            controller=name,
            last_seen_ns=last_seen_ns,
            onset_ns=last_seen_ns + 100 * MS if onset_ns is None else onset_ns,
            back_ns=back_ns,
            steady_ns=steady_ns,
            ran_on=ran_on,
            p_restarted=p_restarted,
            evidence=evidence,
        ),
        channel=channel,
        deadline_ns=deadline_ns,
    )


def names(groups: list[list[ControllerLoss]]) -> list[list[str]]:
    return [[one.loss.controller for one in group] for group in groups]


# One incident or several


@pytest.mark.parametrize(("deadline_ns", "within_ns"), [(250 * MS, 300 * MS), (S, S)])
def test_losses_within_one_deadline_or_the_hold_up_of_a_supply_are_one(deadline_ns: int, within_ns: int) -> None:
    # hold-up of a control unit's supply, 20 to 300 ms: common practice
    first = loss("broom", 20 * S, 20 * S + 40 * MS, deadline_ns=deadline_ns)
    for after_ns, expected in ((within_ns, [["broom", "hopper"]]), (within_ns + 1, [["broom"], ["hopper"]])):
        last_seen_ns = 20 * S + 40 * MS + after_ns
        assert names(group_losses([loss("hopper", last_seen_ns), first])) == expected


def test_a_group_is_measured_from_its_first_loss_and_stands_in_the_order_of_the_losses() -> None:
    chain = [loss(name, 20 * S + k * 150 * MS) for k, name in enumerate("abcd")]
    assert names(group_losses(chain[::-1])) == [["a", "b", "c"], ["d"]]
    same = [loss("b", 20 * S, 21 * S), loss("a", 20 * S, 21 * S), loss("c", 19 * S, 21 * S)]
    assert names(group_losses(same)) == [["c", "a", "b"]]
    assert group_losses([]) == []


def test_a_controller_that_is_lost_twice_is_two_incidents() -> None:
    twice = [loss("a", 20 * S), loss("a", 20 * S + 200 * MS), loss("b", 20 * S + 210 * MS)]
    assert names(group_losses(twice)) == [["a"], ["a", "b"]]


# What losses tell of one another


def test_controllers_lost_together_are_weighed_together_and_nobody_else() -> None:
    known = loss("a", 20 * S, ran_on=RanOn.RESTARTED, p_restarted=0.999, evidence=("it sent a boot-up",))
    silent, away = loss("b", 20 * S), loss("c", 20 * S, back_ns=None, steady_ns=None)
    first, second, third = weighed_together([known, silent, away])
    assert (first.loss, third.loss) == (known.loss, away.loss)
    assert (second.loss.ran_on, second.loss.controller) == (RanOn.RESTARTED, "b")
    assert second.loss.p_restarted == pytest.approx(12.18 / 13.18, abs=1e-4)  # e ** 2.5 to 1
    assert second.loss.evidence == ("the controllers lost with it restarted too",)
    assert (second.channel, second.deadline_ns) == (silent.channel, silent.deadline_ns)
    assert [one.loss for one in weighed_together([silent])] == [silent.loss]
    assert weighed_together([]) == []


# The incident


def test_an_incident_spans_its_losses() -> None:
    one = loss("a", 20 * S, 20 * S + 90 * MS, back_ns=28 * S, steady_ns=33 * S)
    two = loss("b", 19 * S, 20 * S + 95 * MS, back_ns=29 * S, steady_ns=32 * S)
    incident = incident_of(IncidentKind.DROPOUT, [one, two])
    assert (incident.kind, incident.channel, incident.controllers) == (IncidentKind.DROPOUT, 0, ("a", "b"))
    assert (incident.last_seen_ns, incident.onset_ns) == (19 * S, 20 * S + 90 * MS)
    assert (incident.back_ns, incident.steady_ns) == (29 * S, 33 * S)
    assert incident.losses == (one.loss, two.loss)


def test_an_incident_lasts_until_the_last_of_its_controllers_is_back() -> None:
    away = loss("b", 20 * S, back_ns=None, steady_ns=None)
    incident = incident_of(IncidentKind.DROPOUT, [loss("a", 20 * S), away])
    assert (incident.back_ns, incident.steady_ns) == (None, None)
    starting = loss("b", 20 * S, steady_ns=None)
    incident = incident_of(IncidentKind.DROPOUT, [loss("a", 20 * S), starting])
    assert (incident.back_ns, incident.steady_ns) == (30 * S, None)


def test_an_incident_over_several_channels_has_none() -> None:
    incident = incident_of(IncidentKind.DROPOUT, [loss("a", 20 * S), loss("b", 20 * S, channel=1)])
    assert incident.channel is None


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ((RanOn.RESTARTED, RanOn.RESTARTED), RanOn.RESTARTED),
        ((RanOn.RESTARTED, RanOn.UNKNOWN), RanOn.RESTARTED),
        ((RanOn.UNKNOWN, RanOn.KEPT_RUNNING), RanOn.KEPT_RUNNING),
        ((RanOn.RESTARTED, RanOn.KEPT_RUNNING), RanOn.UNKNOWN),
        ((RanOn.UNKNOWN, RanOn.UNKNOWN), RanOn.UNKNOWN),
    ],
)
def test_an_incident_says_what_those_losses_say_that_say_anything(answers: tuple[RanOn, RanOn], told: RanOn) -> None:
    assert (
        incident_of(
            IncidentKind.DROPOUT, [loss(name, 20 * S, ran_on=one) for name, one in zip("ab", answers, strict=True)]
        ).ran_on
        is told
    )


def test_the_probability_of_an_incident_is_the_mean_of_those_known() -> None:
    losses = [loss("a", 20 * S, p_restarted=0.9), loss("b", 20 * S), loss("c", 20 * S, p_restarted=0.6)]
    assert incident_of(IncidentKind.DROPOUT, losses).p_restarted == pytest.approx(0.75, rel=1e-12)
    assert incident_of(IncidentKind.DROPOUT, losses[1:2]).p_restarted is None


def test_an_incident_gives_its_reason_or_the_evidence_of_its_losses() -> None:
    one, two = loss("a", 20 * S, evidence=("x", "y")), loss("b", 20 * S, evidence=("z",))
    assert incident_of(IncidentKind.DROPOUT, [one]).why == ("x", "y")
    assert incident_of(IncidentKind.DROPOUT, [one, two]).why == ("a: x", "a: y", "b: z")
    assert incident_of(IncidentKind.LATE, [one], why=("missing",)).why == ("missing",)


# Identifiers that vanish and return together


ONCE = (5 * S, 8 * S)
"""Streams that are one must have been lost together more than once."""


def unowned(
    *losses: tuple[int, int | None],
    row: int = 0,
    deadline_ns: int = 50 * MS,
    before: tuple[tuple[int, int], ...] = (ONCE,),
) -> UnownedStream:
    return UnownedStream(row=row, deadline_ns=deadline_ns, losses=(*before, *losses))


def are_one(a: UnownedStream, b: UnownedStream) -> bool:
    """Tell whether two streams are one controller; the order of the two must not matter."""
    found = [group_by_common_loss(pair, 100 * S) == [[pair[0].row, pair[1].row]] for pair in ([a, b], [b, a])]
    assert found[0] == found[1]
    return found[0]


@pytest.mark.parametrize(
    ("other", "together"),
    [
        ((20 * S + 70 * MS, 30 * S), True),
        ((20 * S + 70 * MS + 1, 30 * S), False),
        ((20 * S - 70 * MS, 30 * S), True),
        ((20 * S - 70 * MS - 1, 30 * S), False),
        ((20 * S, 30 * S + 570 * MS), True),  # 500 ms from one start to the next: common practice
        ((20 * S, 30 * S + 570 * MS + 1), False),
        ((20 * S, 30 * S - 570 * MS), True),
        ((20 * S, 30 * S - 570 * MS - 1), False),
        ((20 * S, None), False),
    ],
)
def test_streams_are_one_where_they_vanish_within_a_deadline_and_return_within_a_start(
    other: tuple[int, int | None], together: bool
) -> None:
    a = unowned((20 * S, 30 * S), row=1, deadline_ns=50 * MS)
    assert are_one(a, unowned(other, row=2, deadline_ns=70 * MS)) is together


def test_streams_that_are_both_still_silent_are_one() -> None:
    assert are_one(unowned((20 * S, None), row=1), unowned((20 * S, None), row=2))


def test_a_loss_that_the_other_stream_would_have_shown_keeps_them_apart() -> None:
    both = (20 * S, 30 * S)
    slow = unowned(both, row=2, deadline_ns=70 * MS)
    # longer than the wider of the deadlines, and the other's own on top
    assert are_one(unowned(both, (40 * S, 40 * S + 140 * MS), row=1), slow)
    assert not are_one(unowned(both, (40 * S, 40 * S + 140 * MS + 1), row=1), slow)
    assert are_one(unowned(both, row=1), unowned(both, (40 * S, 40 * S + 120 * MS), row=2, deadline_ns=70 * MS))
    assert not are_one(unowned(both, row=1), unowned(both, (40 * S, 40 * S + 120 * MS + 1), row=2, deadline_ns=70 * MS))
    assert not are_one(unowned(both, (99 * S, None), row=1), slow)
    assert are_one(unowned(both, (100 * S - 140 * MS, None), row=1), slow)


def test_streams_that_were_lost_together_once_are_not_one_unless_it_lasts_to_the_end() -> None:
    once = [unowned((20 * S, 30 * S), row=row, before=()) for row in (1, 2)]
    assert not are_one(*once)
    for_good = [unowned((20 * S, None), row=row, before=()) for row in (1, 2)]
    assert are_one(*for_good)


def test_streams_share_losses_with_every_other_of_their_controller() -> None:
    assert not are_one(unowned((20 * S, 20 * S + 60 * MS), row=1), unowned((40 * S, 40 * S + 60 * MS), row=2))
    assert not are_one(unowned(row=1), unowned(row=2))
    assert not are_one(unowned((20 * S, 20 * S + 60 * MS), row=1), unowned(row=2))
    # the third goes with the first and not with the second
    first, second = unowned((20 * S, 30 * S), row=1), unowned((20 * S + 40 * MS, 30 * S), row=2)
    third = unowned((20 * S - 40 * MS, 30 * S), row=3)
    assert group_by_common_loss([first, second, third], 100 * S) == [[1, 2], [3]]
    fourth = unowned((20 * S - 40 * MS, 30 * S), row=4)
    assert group_by_common_loss([first, second, third, fourth], 100 * S) == [[1, 2], [3, 4]]
