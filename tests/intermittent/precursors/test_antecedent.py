"""What goes before dropouts: counted as by hand, not fooled by chance, and found where it is true."""

import datetime

import numpy as np
import pandas as pd
import pytest
from EventAnalysis import EventAnalysis
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from busdoc.arrays import Int64Array
from busdoc.intermittent.dropouts import SETTLE_NS, Dropouts, Watched
from busdoc.intermittent.multiple_testing import attained, holm
from busdoc.intermittent.precursors.antecedent import Antecedent, find_antecedents
from busdoc.intermittent.precursors.antecedent_scan import WINDOWS_S, Windows, near_ns, scan
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at
from tests.truth.antecedent_records import Way, draw_null, draw_power, judged

S = 10**9


def ns(*seconds: float) -> Int64Array:
    return np.array([round(second * S) for second in seconds], np.int64)


def dropouts_at(*lost_s: float, until_s: float = 3600.0, away_s: float = 2.0, bracket_s: float = 0.1) -> Dropouts:
    """Let one controller fall, away for two seconds each time."""
    last_ns = ns(*lost_s)
    over_ns = last_ns + round(away_s * S)
    spans = [(a, b + SETTLE_NS) for a, b in zip(last_ns.tolist(), over_ns.tolist(), strict=True)]
    return Dropouts(
        controllers=("hopper",),
        last_seen_ns=last_ns,
        onset_ns=last_ns + round(bracket_s * S),
        over_ns=over_ns,
        watched=Watched.between(0, round(until_s * S), spans),
    )


def kind(name: str, *at_s: float) -> EventKind:
    return events_at(name, EventSource.SIGNAL, ns(*at_s), signal="Boom.Raised")


def only(tests: tuple[Antecedent, ...], name: str) -> Antecedent:
    return next(test for test in tests if test.name == name)


LOST_S = tuple(100.0 + 200.0 * k + (k * k * 31) % 97 for k in range(15))
RAISED_S = tuple(t - 0.6 for t in LOST_S[:12])
OTHER_S = (30.0, 1111.0, 2222.0, 3333.0)


def test_dropouts_that_an_event_goes_before_are_counted_and_timed() -> None:
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [kind("Boom.Raised became 1", *RAISED_S, *OTHER_S)])
    assert (found.n_preceded, found.n_dropouts, found.n_followed, found.n_events) == (12, 15, 12, 16)
    assert found.precursor_rate == pytest.approx(0.8)
    assert found.trigger_rate == pytest.approx(0.75)
    assert found.window_s == 1.0
    assert found.lag_s == pytest.approx((0.65, 0.65, 0.65))
    assert found.p < 1e-10


def test_another_library_counts_the_same_coincidences() -> None:
    """event-analysis knows whole units of time alone, and tells the greater share of both directions and their mean."""
    rng = np.random.default_rng(8)
    effects_s = np.unique(rng.integers(1, 5000, 40))
    causes_s = np.unique(np.concatenate((effects_s[:9] - rng.integers(0, 9, 9), rng.integers(1, 5000, 60)))).clip(0)
    happened = np.zeros((5001, 2), np.bool_)
    happened[effects_s, 0] = happened[causes_s, 1] = True
    index = pd.date_range("2026-03-02", periods=len(happened), freq="s")
    library = EventAnalysis(pd.DataFrame(happened, index=index), time_normalization_factor=1)
    expected = [float(rates.iloc[0, 1]) for rates in library.ECA(datetime.timedelta(seconds=8))]
    precursor, trigger = [], []
    for lost_s, before_s in ((effects_s, causes_s), (causes_s, effects_s)):
        at_ns = ns(*lost_s)
        watched = Watched.between(-S, 6000 * S)
        at_once = Dropouts(controllers=(), last_seen_ns=at_ns, onset_ns=at_ns, over_ns=at_ns, watched=watched)
        (found,) = find_antecedents([at_once], [kind("cause", *before_s)], (8.0,))
        precursor.append(found.precursor_rate)
        trigger.append(found.trigger_rate)
    counted = [max(precursor), np.mean(precursor), max(trigger), np.mean(trigger)]
    assert counted == pytest.approx(expected, rel=1e-6)


def test_the_words_say_the_counts_and_what_chance_would_make() -> None:
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [kind("Boom.Raised became 1", *RAISED_S, *OTHER_S)])
    assert found.words == (
        '12 of 15 dropouts came within 1 s after the event "Boom.Raised became 1"; by chance 0.5 would have. '
        "Half of them came 0.65 s after it. A dropout came after 12 of 16 such events."
    )


def test_the_share_that_it_explains_has_an_exact_interval() -> None:
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [kind("Boom.Raised became 1", *RAISED_S, *OTHER_S)])
    chance = found.by_chance
    # Clopper & Pearson, Biometrika 26 (1934) 404-413, of 12 of 15: 0.519 to 0.957
    assert found.explained == pytest.approx((0.8 - chance) / (1.0 - chance))
    assert found.explained_low == pytest.approx((0.51911 - chance) / (1.0 - chance), abs=1e-4)
    assert found.explained_high == pytest.approx((0.95669 - chance) / (1.0 - chance), abs=1e-4)


def test_chance_is_the_covered_share_of_the_neighbourhood() -> None:
    dropouts = dropouts_at(1000.0, 1500.0, 2000.0, bracket_s=0.0)
    events = kind("raised", 990.0, 1495.0, 1496.0, 2500.0)
    counted = scan(Windows(dropouts=dropouts, lengths_s=(4.0,)), events)
    reach_s = near_ns(4 * S) / S
    covered_s = np.array([4.0, 5.0, 0.0])  # the windows after 1495 and 1496 overlap
    assert counted.share[0] == pytest.approx(float(np.mean(covered_s / (2.0 * reach_s))))


def test_the_neighbourhood_ends_with_the_record() -> None:
    dropouts = dropouts_at(10.0, 1000.0, 2000.0, bracket_s=0.0)
    counted = scan(Windows(dropouts=dropouts, lengths_s=(1.0,)), kind("raised", 8.0))
    reach_s = near_ns(S) / S
    assert counted.share[0] == pytest.approx((1.0 / (10.0 + reach_s)) / 3.0)


def test_the_p_is_that_of_the_best_window_times_the_windows_that_were_tried() -> None:
    dropouts, events = dropouts_at(*LOST_S), kind("raised", *RAISED_S, *OTHER_S)
    windows = Windows(dropouts=dropouts, lengths_s=WINDOWS_S)
    counted = scan(windows, events)
    tail = [  # scipy: at least so many of the independent dropouts, each with the mean chance
        float(binom.sf(k - 1, n, q))
        for k, n, q in zip(counted.n_hit, windows.n_independent, counted.share, strict=True)
    ]
    (found,) = find_antecedents([dropouts], [events])
    assert found.p == pytest.approx(len(WINDOWS_S) * tail[WINDOWS_S.index(found.window_s)])
    assert tail[WINDOWS_S.index(found.window_s)] < 4.1 * min(tail)


def test_three_dropouts_are_enough_for_an_event_that_hardly_comes_without_one() -> None:
    lost_s = (700.0, 1600.0, 2900.0)
    others = [kind(f"switch {k}", *np.arange(10.0 + k, 3600.0, 120.0 + 7.0 * k)) for k in range(150)]
    tests = find_antecedents([dropouts_at(*lost_s)], [kind("raised", *(t - 0.6 for t in lost_s), 3333.0), *others])
    p, at = np.array([test.p for test in tests]), [test.name for test in tests].index("raised")
    assert tests[at].n_preceded == 3
    assert holm(p)[at] > 0.05  # as if each of the others could show three of three as easily
    corrected = holm(p, attained=attained([test.chances for test in tests]))
    assert corrected[at] < 0.05
    assert np.flatnonzero(corrected <= 0.05).tolist() == [at]


def test_no_test_shows_a_p_more_often_than_the_p_says() -> None:
    for seed in range(5):
        record = draw_null(Way.BURSTY, seed)
        tests = find_antecedents([record.dropouts], record.kinds)
        for p in (1e-6, 1e-3, 0.05, 0.7):
            chance = attained([test.chances for test in tests])(p)
            assert np.all((chance >= 0.0) & (chance <= p))


def test_an_event_within_the_bracket_counts_and_is_said_to_be_doubtful() -> None:
    events = kind("Boom.Raised became 1", *(t + 0.05 for t in LOST_S))
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [events])
    assert found.n_preceded == len(LOST_S)
    assert found.order_unclear
    assert "may be an answer to the loss" in found.words


def test_an_event_after_the_first_missed_frame_does_not_count() -> None:
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [kind("answer", *(t + 0.11 for t in LOST_S))])
    assert found.n_preceded == 0
    assert found.p == 1.0


def test_what_happens_while_the_controller_is_away_or_settles_goes_before_nothing() -> None:
    again_s = tuple(t + 12.0 for t in LOST_S)
    answer = kind("answer to the return", *(t + 2.5 for t in LOST_S))
    tests = find_antecedents([dropouts_at(*sorted((*LOST_S, *again_s)))], [answer, kind("other", *OTHER_S)])
    assert only(tests, "answer to the return").n_events == 0
    assert only(tests, "answer to the return").n_preceded == 0


def test_dropouts_of_one_burst_count_as_one() -> None:
    bursts_s = [t + 8.0 * k for t in (300.0, 1300.0, 2300.0) for k in range(6)]
    dropouts = dropouts_at(*bursts_s, away_s=0.5)
    assert int(dropouts.independent(round(2 * 15.0 * S) + SETTLE_NS).sum()) == 3
    assert int(dropouts.independent(round(2 * 0.25 * S) + SETTLE_NS).sum()) == 18


def test_fewer_than_three_dropouts_or_events_are_not_tried() -> None:
    raised = kind("raised", *RAISED_S)
    assert find_antecedents([dropouts_at(*LOST_S[:2])], [raised]) == ()
    assert find_antecedents([dropouts_at(*LOST_S)], [kind("raised", *RAISED_S[:2])]) == ()
    assert len(find_antecedents([dropouts_at(*LOST_S[:3])], [kind("raised", *RAISED_S[:3])])) == 1


def test_three_dropouts_of_one_burst_prove_nothing() -> None:
    dropouts = dropouts_at(1000.0, 1003.0, 1006.0, away_s=0.2)
    (found,) = find_antecedents([dropouts], [kind("raised", 999.5, 1002.9, 1005.9)])
    assert found.p == 1.0


def test_where_nothing_was_watched_nothing_is_proved() -> None:
    nothing = np.empty(0, np.int64)
    lost = ns(100, 200, 300)
    dropouts = Dropouts(
        controllers=(), last_seen_ns=lost, onset_ns=lost, over_ns=lost, watched=Watched(from_ns=nothing, to_ns=nothing)
    )
    doubt = np.full(3, S, np.int64)
    unsure = events_at("mark", EventSource.JOURNAL, lost, uncertainty_ns=doubt)
    tests = find_antecedents([dropouts], [kind("raised", 100.0, 200.0, 300.0), unsure])
    assert [test.p for test in tests] == [1.0, 1.0]


def test_no_kind_of_event_gives_no_test() -> None:
    assert find_antecedents([dropouts_at(*LOST_S)], []) == ()


def test_kinds_that_happen_together_are_one_under_the_name_of_the_earlier() -> None:
    command, echo = kind("command", *RAISED_S), kind("echo", *(t + 0.2 for t in RAISED_S))
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [echo, command])
    assert found.name == "command"
    assert found.aliases == ("echo",)


def test_each_set_of_dropouts_is_tried_by_itself() -> None:
    early, late = dropouts_at(*LOST_S[:8]), dropouts_at(*LOST_S[8:])
    tests = find_antecedents([early, late], [kind("raised", *RAISED_S)])
    assert [test.n_preceded for test in tests] == [8, 4]


def test_a_timer_that_runs_beside_another_proves_nothing() -> None:
    every_ten_minutes = dropouts_at(*(37.0 + 600.0 * k for k in range(20)), until_s=12_100.0)
    every_minute = kind("self-test", *(36.5 + 60.0 * k for k in range(200)))
    (found,) = find_antecedents([every_ten_minutes], [every_minute])
    assert found.n_preceded == 20
    assert found.p > 0.01


def test_events_of_a_person_at_nearly_equal_pauses_are_evidence() -> None:
    raised_s = [300.0 + 600.0 * k + (k * 37) % 41 for k in range(12)]
    (found,) = find_antecedents(
        [dropouts_at(*(t + 0.5 for t in raised_s), until_s=7500.0)], [kind("raised", *raised_s)]
    )
    assert found.p < 1e-8


# a day, or a shift of work, brings both together: no evidence (the confounder named by Donges et al. 2016, section 2)
def test_work_that_brings_events_and_dropouts_together_is_no_evidence() -> None:
    rng = np.random.default_rng(11)
    spells = np.arange(0.0, 36_000.0, 1800.0)
    lost = np.sort(np.concatenate([start + rng.uniform(0.0, 300.0, 2) for start in spells]))
    lost = lost[np.diff(lost, prepend=-100.0) > 20.0]
    raised = np.concatenate([start + rng.uniform(0.0, 300.0, 20) for start in spells])
    (found,) = find_antecedents([dropouts_at(*lost.tolist(), until_s=36_000.0)], [kind("raised", *raised.tolist())])
    assert 200.0 * found.p > 0.05  # two hundred kinds are tried as a rule


times = st.lists(st.integers(10, 3500), min_size=3, max_size=25, unique=True)


@settings(max_examples=30)
@given(lost=times, raised=times, shift=st.integers(-(10**7), 10**9))
def test_shifting_the_clock_changes_nothing(lost: list[int], raised: list[int], shift: int) -> None:
    def search(by_s: int) -> tuple[Antecedent, ...]:
        here = dropouts_at(*[t + 0.4 for t in sorted(lost)])
        moved = Dropouts(
            controllers=here.controllers,
            last_seen_ns=here.last_seen_ns + by_s * S,
            onset_ns=here.onset_ns + by_s * S,
            over_ns=here.over_ns + by_s * S,
            watched=Watched(from_ns=here.watched.from_ns + by_s * S, to_ns=here.watched.to_ns + by_s * S),
        )
        return find_antecedents([moved], [events_at("raised", EventSource.SIGNAL, ns(*sorted(raised)) + by_s * S)])

    assert search(0) == search(shift)


@settings(max_examples=30)
@given(lost=times, raised=st.lists(times, min_size=2, max_size=4), seed=st.integers(0, 9))
def test_the_order_in_which_kinds_are_given_changes_nothing(
    lost: list[int], raised: list[list[int]], seed: int
) -> None:
    kinds = [kind(f"kind {k}", *sorted(t + k / 7.0 for t in at)) for k, at in enumerate(raised)]
    dropouts = dropouts_at(*[t + 0.4 for t in sorted(lost)])
    mixed = [kinds[k] for k in np.random.default_rng(seed).permutation(len(kinds)).tolist()]
    one = {test.name: test.p for test in find_antecedents([dropouts], kinds)}
    other = {test.name: test.p for test in find_antecedents([dropouts], mixed)}
    for name in one.keys() & other.keys():
        assert one[name] == other[name]
    assert len(one) == len(other)


@settings(max_examples=30)
@given(lost=times, raised=times)
def test_every_count_is_what_a_loop_over_pairs_gives(lost: list[int], raised: list[int]) -> None:
    dropouts = dropouts_at(*[t + 0.4 for t in sorted(lost)])
    events_s = sorted(raised)
    windows = Windows(dropouts=dropouts, lengths_s=WINDOWS_S)
    counted = scan(windows, kind("raised", *events_s))
    watched = [
        t
        for t in ns(*events_s).tolist()
        if any(a <= t < b for a, b in zip(dropouts.watched.from_ns, dropouts.watched.to_ns, strict=True))
        or any(a <= t <= b for a, b in zip(dropouts.last_seen_ns, dropouts.onset_ns, strict=True))
    ]
    for w, window_s in enumerate(WINDOWS_S):
        hits = [
            any(a - window_s * S <= t <= b for t in watched)
            for a, b in zip(dropouts.last_seen_ns.tolist(), dropouts.onset_ns.tolist(), strict=True)
        ]
        assert counted.n_hit[w] == int((np.array(hits) & windows.independent[w]).sum())


def test_drawn_records_without_a_cause_hardly_ever_show_one() -> None:
    false = [way for way in Way for seed in range(6) if judged(draw_null(way, seed, n_switches=60))]
    assert len(false) <= 2  # of 42; at 5 % and no better, more than five have a chance of 2 %


def test_a_cause_that_makes_ten_dropouts_is_found_and_ranked_first() -> None:
    records = [record for record in map(draw_power, range(20)) if record.due[0] >= 10]
    first = [found[0].name if (found := judged(record)) else "" for record in records]
    assert len(records) >= 12
    assert first.count("cause 0") >= 0.9 * len(records)


def test_two_causes_that_make_ten_dropouts_each_are_both_found() -> None:
    records = [r for seed in range(12) if min((r := draw_power(seed, n_causes=2)).due) >= 10]
    both = [{"cause 0", "cause 1"} <= {test.name for test in judged(record)} for record in records]
    assert len(records) >= 6
    assert sum(both) >= 0.9 * len(both)


def test_what_a_lost_controller_says_after_its_last_frame_before_is_no_sign_of_the_loss() -> None:
    at_s = ns(*(t + 0.05 for t in LOST_S), *OTHER_S)
    claims = events_at("frame 0x18EEFF31 of hopper was sent", EventSource.COMMAND, at_s, controller="hopper")
    (found,) = find_antecedents([dropouts_at(*LOST_S)], [claims])
    assert (found.n_preceded, found.n_followed, found.n_events) == (0, 0, len(OTHER_S))


def test_dropouts_and_events_that_come_in_bursts_together_once_are_no_evidence() -> None:
    lost_s = [1000.0 + 22.0 * k for k in range(9)] + [3000.0, 4700.0, 5900.0]
    raised_s = [998.0 + 22.0 * k for k in range(9)] + [1500.0 + 22.0 * k for k in range(9)]
    raised_s += [5100.0 + 22.0 * k for k in range(9)]
    (found,) = find_antecedents([dropouts_at(*lost_s, until_s=7200.0)], [kind("raised", *raised_s)])
    assert found.n_preceded == 9
    assert found.p > 1e-4
