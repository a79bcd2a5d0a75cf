"""How long to wait after a repair, held against published arithmetic and against chance itself."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busdoc.errors import InputError
from busdoc.isolation.proposals.cure import FaultRate
from busdoc.report.json.earlier_verdict import fault_rate_of, read_verdict

MANY = 100_000


@pytest.mark.parametrize(
    ("per_hour", "needed_s"), [(60.0, 179.7), (12.0, 898.7), (6.0, 1797.4), (1.0, 10784.6), (0.1, 107846.0)]
)
def test_a_rate_that_is_well_known_asks_for_three_mean_intervals(per_hour: float, needed_s: float) -> None:
    """-ln(1 - 0.95) / rate: the rule of three (Hanley & Lippman-Hand, JAMA 249 (1983) 1743)."""
    rate = FaultRate(n=MANY, watched_s=MANY * 3600.0 / per_hour)
    assert rate.needed_s == pytest.approx(needed_s, rel=1e-3)


@pytest.mark.parametrize("quiet", [1.0, 2.0, 3.0, 4.6])
def test_with_a_known_rate_the_confidence_is_that_of_a_poisson_process(quiet: float) -> None:
    """P(no event in t) = exp(-rate t) (W. Feller, An Introduction to Probability Theory I, XVII.2)."""
    assert 1.0 - FaultRate(n=MANY, watched_s=float(MANY)).confidence(quiet) == pytest.approx(math.exp(-quiet), rel=1e-3)


@pytest.mark.parametrize(
    ("quiet_s", "silent"), [(1.0, 0.66115), (10.0, 0.46137), (60.0, 0.30694), (600.0, 0.11939), (3600.0, 0.01906)]
)
def test_with_an_unknown_rate_quiet_tells_what_the_exponential_integral_says(quiet_s: float, silent: float) -> None:
    """[E1(a t) - E1(b t)] / ln(b / a), E1 as in Abramowitz & Stegun 5.1.1, a = 1 per hour, b five decades above."""
    assert 1.0 - FaultRate().confidence(quiet_s) == pytest.approx(silent, abs=0.004)


def test_with_an_unknown_rate_it_takes_half_an_hour() -> None:
    """The same integral is 0.05 at 1754 s."""
    assert FaultRate().needed_s == pytest.approx(1754.0, rel=0.02)


@pytest.mark.parametrize("n", [3, 5, 12, 40])
def test_of_faults_that_are_still_there_one_in_twenty_stays_quiet_for_so_long(n: int) -> None:
    rng = np.random.default_rng(n)
    trials = 20_000
    watched_s = rng.gamma(n, 540.0, trials)  # until the n-th showing, one every nine minutes
    next_s = rng.exponential(540.0, trials)
    needed_s = FaultRate(n=n, watched_s=1.0).needed_s * watched_s
    assert np.mean(next_s > needed_s) == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / trials))


@pytest.mark.parametrize(("n", "quiet_s"), [(3, 171.44), (5, 82.06), (10, 34.93)])
def test_with_few_showings_in_a_hundred_seconds_the_exact_test_decides(n: int, quiet_s: float) -> None:
    """(100 / (100 + t))^n = 0.05 (Przyborowski & Wilenski, Biometrika 31 (1940) 313-323), worked by hand."""
    rate = FaultRate(n=n, watched_s=100.0)
    assert rate.needed_s == pytest.approx(quiet_s, abs=0.01)
    assert rate.confidence(quiet_s) == pytest.approx(0.95, abs=1e-4)


@given(n=st.integers(0, 200), watched_s=st.floats(1.0, 1e5), share=st.floats(0.01, 3.0))
@example(n=0, watched_s=1.0, share=0.984375)
def test_it_is_called_cured_when_and_only_when_the_time_is_over(n: int, watched_s: float, share: float) -> None:
    """A hundredth of the time is worth five times 1e-4 where the rate is least known; the dwell is right to 2e-5."""
    rate = FaultRate(n=n, watched_s=watched_s)
    if not math.isinf(rate.needed_s) and abs(share - 1.0) > 0.01:
        assert (rate.confidence(share * rate.needed_s) >= 0.95 - 1e-4) == (share > 1.0)


def test_one_showing_does_not_ask_for_more_than_a_fault_of_once_an_hour_would() -> None:
    assert FaultRate(n=1, watched_s=1200.0).needed_s < 3 * 3600.0 + 60.0


def test_words_say_how_often_it_came() -> None:
    assert FaultRate(n=5, watched_s=2700.0).words == "before, one every 9 min (5 in 45 min)"
    assert FaultRate(n=1, watched_s=600.0).words == "before, one in 10 min"


# Read from an earlier verdict


def verdict(**more: object) -> dict[str, Any]:
    def lost(at_s: float, *, kind: str = "dropout", expected: bool = False) -> dict[str, Any]:
        return {"kind": kind, "expected": expected, "controllers": ["hopper"], "onset_s": at_s}

    incidents = [lost(100.0), lost(700.0), lost(900.0, expected=True), lost(950.0, kind="code"), lost(1300.0)]
    gap = {"from_s": 300.0, "to_s": 360.0, "kind": "capture-gap", "channel": None}
    return {
        "schema": "busdoc-verdict/1",
        "capture": {"duration_s": 1860.0, "gaps": [gap]},
        "incidents": incidents,
    } | more


def test_unexplained_incidents_are_counted_over_what_was_heard() -> None:
    assert fault_rate_of(verdict(), "v.json") == FaultRate(n=3, watched_s=1800.0, fault="hopper")


def test_with_a_suspect_only_the_time_in_which_it_was_exposed_counts() -> None:
    def trial(from_s: float, to_s: float, shown_s: float | None, *exposed: str) -> dict[str, Any]:
        outcome = "quiet" if shown_s is None else "trouble"
        times = {"from_s": from_s, "to_s": to_s, "shown_after_s": shown_s}
        return times | {"controller": "hopper", "exposed": list(exposed), "outcome": outcome}

    trials = [
        trial(0.0, 60.0, 40.0, "harness-A", "harness-B"),
        trial(80.0, 200.0, None, "harness-B"),
        trial(200.0, 300.0, 20.0, "harness-A"),
        trial(300.0, 330.0, None, "harness-A"),
    ]
    suspects = [{"part": "harness-A", "probability": 0.96}, {"part": "elsewhere", "probability": 0.03}]
    found = fault_rate_of(verdict(trials=trials, suspects=suspects), "v.json")
    assert found == FaultRate(n=2, watched_s=90.0, fault="harness-A")


def test_trouble_that_nobody_could_place_counts_as_a_whole() -> None:
    suspects = [{"part": "elsewhere", "probability": 0.9}]
    assert fault_rate_of(verdict(trials=[], suspects=suspects), "v.json").n == 3


@pytest.mark.parametrize("text", ["", "[1]", '{"schema": "other/1"}', "{" * 50_000, '{"a": ', "\x00\xff"])
def test_what_is_no_verdict_is_refused_in_a_sentence(tmp_path: Path, text: str) -> None:
    path = tmp_path / "v.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="a verdict of busdoc"):
        read_verdict(path)


@pytest.mark.parametrize("key", ["capture", "incidents"])
def test_a_verdict_that_lacks_something_is_refused_in_a_sentence(tmp_path: Path, key: str) -> None:
    tree = verdict()
    del tree[key]
    path = tmp_path / "v.json"
    path.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(InputError, match=key):
        fault_rate_of(read_verdict(path), "v.json")


@pytest.mark.parametrize("duration_s", [1e300, float("inf"), 2e9])
def test_a_time_that_nobody_can_have_watched_is_refused_in_a_sentence(duration_s: float) -> None:
    long = verdict()
    long["capture"]["duration_s"] = duration_s
    with pytest.raises(InputError, match="a time that can be watched"):
        fault_rate_of(long, "v.json")
    with pytest.raises(InputError, match="a time that can be waited"):
        fault_rate_of(verdict(conclusion={"to_prove_s": duration_s}), "v.json")
