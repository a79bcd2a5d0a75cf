"""What each kind of restart evidence is worth, and how it adds up, worked out by hand."""

import math

import numpy as np
import pytest

from busdoc.arrays import UInt8Array
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.incident import RanOn
from busdoc.health.presence.dropout import Absence, SilentStream
from busdoc.health.presence.restart_evidence import RestartFinding, share_evidence, unasked_words, weigh_restart
from tests.health.presence.made_streams import MS, S, absence, silence, stream

BACK_NS = 43 * S
NO_SIGN = "it did not announce a start, as it does otherwise"


def log_odds(found: RestartFinding) -> float:
    assert found.p_restarted is not None
    return math.log(found.p_restarted / (1.0 - found.p_restarted))


def sign(kind: SignKind, *, asked: bool = False) -> Sign:
    return Sign(t_ns=BACK_NS, channel=0, kind=kind, address=0x31, asked=asked)


def lost(*streams: SilentStream) -> Absence:
    return absence(40 * S, BACK_NS, *streams)


@pytest.mark.parametrize(
    ("kind", "weight", "words"),
    [
        (SignKind.BOOT_UP, 7.0, "it sent a boot-up that nobody had asked for"),
        (SignKind.HEARTBEAT_FIRST, 7.0, "it sent a first heartbeat that nobody had asked for"),
        (SignKind.ADDRESS_CLAIM, 6.0, "it sent an address claim that nobody had asked for"),
        (SignKind.CANNOT_CLAIM, 3.0, "it sent a cannot claim that nobody had asked for"),
        (SignKind.HEARTBEAT_LAST, 3.0, "it had announced an orderly shutdown"),
    ],
)
def test_a_sign_is_worth_what_its_protocol_makes_it(kind: SignKind, weight: float, words: str) -> None:
    found = weigh_restart(lost(), [sign(kind)], announces_itself=True)
    assert log_odds(found) == pytest.approx(weight, abs=1e-9)
    assert found.evidence == (words,)
    assert found.ran_on is RanOn.RESTARTED


def test_the_strongest_of_several_signs_counts() -> None:
    both = [sign(SignKind.CANNOT_CLAIM), sign(SignKind.HEARTBEAT_LAST), sign(SignKind.ADDRESS_CLAIM)]
    found = weigh_restart(lost(), both, announces_itself=False)
    assert log_odds(found) == pytest.approx(6.0, abs=1e-9)
    assert found.evidence == (unasked_words(SignKind.ADDRESS_CLAIM),)


def test_a_sign_that_was_asked_for_is_worth_nothing_and_excuses_the_lack_of_one() -> None:
    nothing = RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())
    asked = [sign(SignKind.ADDRESS_CLAIM, asked=True)]
    assert weigh_restart(lost(), asked, announces_itself=True) == nothing
    assert weigh_restart(lost(), asked, announces_itself=False) == nothing
    assert weigh_restart(lost(), [], announces_itself=False) == nothing


def test_the_lack_of_a_sign_speaks_against_a_start_where_others_were_announced() -> None:
    found = weigh_restart(lost(), [], announces_itself=True)
    assert log_odds(found) == pytest.approx(-3.0, abs=1e-9)
    assert (found.evidence, found.ran_on) == ((NO_SIGN,), RanOn.KEPT_RUNNING)


def test_who_is_not_back_yet_is_not_judged() -> None:
    found = weigh_restart(absence(40 * S, None), [sign(SignKind.BOOT_UP)], announces_itself=True)
    assert found == RestartFinding(ran_on=RanOn.UNKNOWN, p_restarted=None, evidence=())


# Streams that start one after the other


def late_by(late_ns: int, *, exact: bool = True) -> SilentStream:
    own = silence(40 * S, BACK_NS + 125 * MS + late_ns)
    return stream(own, exact_period_ns=100.0 * MS if exact else None), own


@pytest.mark.parametrize(("late_ns", "staggered"), [(10 * MS, False), (10 * MS + 1, True), (700 * MS, True)])
def test_streams_much_later_than_their_rhythm_allows_started_one_after_the_other(late_ns: int, staggered: bool) -> None:
    found = weigh_restart(lost(late_by(-100 * MS), late_by(late_ns), late_by(-50 * MS)), [], announces_itself=False)
    if staggered:
        assert log_odds(found) == pytest.approx(1.5, abs=1e-9)
        assert found.evidence == ("its streams started one after the other",)
    else:
        assert found.p_restarted is None


def test_streams_without_a_fixed_period_or_still_silent_show_no_order() -> None:
    own = silence(40 * S, None)
    streams = (late_by(700 * MS, exact=False), (stream(own, exact_period_ns=100.0 * MS), own))
    assert weigh_restart(lost(*streams), [], announces_itself=False).p_restarted is None
    found = weigh_restart(lost(*streams, late_by(700 * MS)), [], announces_itself=False)
    assert log_odds(found) == pytest.approx(1.5, abs=1e-9)


# Rolling counters


def counting(*values: int, byte: int = 3) -> UInt8Array:
    data = np.zeros((len(values), 8), np.uint8)
    data[:, byte] = values
    return data


def counter(
    found: int,
    *,
    exact: bool = True,
    last: int = 209,
    missed: int = 29,
    n_before: int = 10,
    before_ns: list[int] | None = None,
) -> SilentStream:
    """Give a stream whose whole-byte counter stood at `last`, and reads `found` after so many missed frames.

    Its frames come every 100 ms, all on whole periods, which no recorder tells finer: the phase itself says nothing.
    """
    to_ns = 40 * S + (missed + 1) * 100 * MS
    times_ns = before_ns or [40 * S - 100 * MS * k for k in range(n_before)][::-1]
    own = silence(
        40 * S,
        to_ns,
        before_ns=times_ns,
        before_data=counting(*((last - k) % 256 for k in reversed(range(len(times_ns))))),
        after_ns=[to_ns],
        after_data=counting(found),
    )
    return stream(own, exact_period_ns=100.0 * MS if exact else None), own


def restarted_at(found: int) -> float:
    """Give how often a counter reads this after a start: seven of ten begin at zero, a fifth of those one late."""
    return 0.7 * (0.8 * (found == 0) + 0.2 * (found == 1)) + 0.3 / 256


@pytest.mark.parametrize(
    ("found", "kept", "words"),
    [
        (239, 0.88 + 0.08 / 256, "a rolling counter went on in step with the frames missed"),
        (238, 0.04 + 0.08 / 256, "a rolling counter jumped"),
        (240, 0.04 + 0.08 / 256, "a rolling counter jumped"),
        (237, 0.08 / 256, "a rolling counter jumped"),
        (0, 0.08 / 256, "a rolling counter began again at zero"),
        (1, 0.08 / 256, "a rolling counter began again at zero"),
        (2, 0.08 / 256, "a rolling counter jumped"),
    ],
)
def test_a_counter_is_worth_how_often_it_reads_so_after_a_start_against_when_it_kept_running(
    found: int, kept: float, words: str
) -> None:
    told = weigh_restart(lost(counter(found)), [], announces_itself=False)
    assert log_odds(told) == pytest.approx(math.log(restarted_at(found) / kept), abs=1e-9)
    assert told.evidence == (words,)


def test_a_counter_that_wraps_is_in_step_too() -> None:
    told = weigh_restart(lost(counter(12, last=250, missed=17)), [], announces_itself=False)
    assert told.evidence == ("a rolling counter went on in step with the frames missed",)
    near = weigh_restart(lost(counter(255, last=250, missed=5)), [], announces_itself=False)  # 0 would be in step
    assert log_odds(near) == pytest.approx(math.log(restarted_at(255) / (0.04 + 0.08 / 256)), abs=1e-9)


def test_a_counter_of_a_stream_without_a_fixed_period_can_only_show_a_reset() -> None:
    for found, words in ((0, "began again at zero"), (1, "began again at zero"), (77, "jumped")):
        told = weigh_restart(lost(counter(found, exact=False)), [], announces_itself=False)
        assert log_odds(told) == pytest.approx(math.log(restarted_at(found) * 256), abs=1e-9)
        assert told.evidence == (f"a rolling counter {words}",)


def test_several_counters_are_told_together_and_the_strongest_counts_in_full() -> None:
    in_step, reset, jumped = counter(239), counter(0), counter(77)
    weights = [
        math.log(restarted_at(found) / kept)
        for found, kept in ((239, 0.88 + 0.08 / 256), (239, 0.88 + 0.08 / 256), (0, 0.08 / 256), (77, 0.08 / 256))
    ]
    told = weigh_restart(lost(in_step, in_step, reset, jumped), [], announces_itself=False)
    strongest = max(weights, key=abs)
    assert log_odds(told) == pytest.approx(strongest + 0.5 * (sum(weights) - strongest), abs=1e-9)
    assert told.evidence == (
        "2 rolling counters went on in step with the frames missed",
        "a rolling counter began again at zero",
        "a rolling counter jumped",
    )


def test_counters_that_show_the_same_are_counted() -> None:
    told = weigh_restart(lost(*(counter(found) for found in (0, 1, 77, 78))), [], announces_itself=False)
    assert told.evidence == ("2 rolling counters began again at zero", "2 rolling counters jumped")


def test_too_few_frames_and_several_in_one_go_count_nothing() -> None:
    assert weigh_restart(lost(counter(0, n_before=7)), [], announces_itself=False).p_restarted is None
    assert weigh_restart(lost(counter(0, n_before=8)), [], announces_itself=False).p_restarted is not None
    pairs = [40 * S - 400 * MS + k // 2 * 100 * MS + k % 2 * 49 * MS for k in range(10)]
    assert weigh_restart(lost(counter(0, before_ns=pairs)), [], announces_itself=False).p_restarted is None
    assert weigh_restart(lost(counter(0, before_ns=pairs), counter(0)), [], announces_itself=False).evidence == (
        "a rolling counter began again at zero",
    )
    half = [40 * S - 50 * MS * k for k in range(10)][::-1]  # half a period is no burst
    assert weigh_restart(lost(counter(0, before_ns=half)), [], announces_itself=False).p_restarted is not None


def test_a_stream_that_is_not_back_has_no_counter_and_hides_no_other() -> None:
    one, own = counter(0)
    silent = silence(40 * S, None, before_ns=own.before_ns.tolist(), before_data=own.before_data)
    told = weigh_restart(lost((one, silent), counter(0)), [], announces_itself=False)
    assert told.evidence == ("a rolling counter began again at zero",)


# Phases


def phased(shift: float) -> SilentStream:
    """Give a stream that came back so many periods off its phase, its frames a nanosecond off whole periods."""
    before = [40 * S - 100 * MS * k + (k == 1) for k in range(10)][::-1]
    after = [43 * S + round(shift * 100 * MS) + 100 * MS * k for k in range(6)]
    own = silence(40 * S, after[0], before_ns=before, after_ns=after)
    return stream(exact_period_ns=100.0 * MS), own  # its mean period is known from a thousand other intervals


def phase_weight(error: float) -> float:
    """A start lands anywhere in a period; who kept running by the spread, but for one of 25 that tells nothing."""
    spread = 0.016
    kept = 0.85 * math.exp(-0.5 * (error / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi)) + 0.15
    return -math.log(kept)


@pytest.mark.parametrize("shift", [0.0, 0.01, 0.04, 0.3, -0.25])
def test_a_phase_is_worth_the_density_near_the_old_one(shift: float) -> None:
    told = weigh_restart(lost(phased(shift)), [], announces_itself=False)
    # one task may have been put off: alone a phase speaks for having run on, and never for a restart
    assert log_odds(told) == pytest.approx(min(phase_weight(shift), 0.0), abs=1e-6)
    (words,) = told.evidence
    assert ("came back in phase" in words) is (abs(shift) < 0.1)


def test_phases_are_told_to_the_tenth_and_to_the_hundredth_of_a_period() -> None:
    near = weigh_restart(lost(phased(0.0344)), [], announces_itself=False)
    assert near.evidence == ("one cyclic stream came back in phase, within 3.4 % of a period",)
    far = weigh_restart(lost(phased(0.454)), [], announces_itself=False)
    assert far.evidence == ("one cyclic stream came back out of phase, by up to 45 % of a period",)


def test_the_strongest_phase_counts_in_full_whichever_way_it_speaks() -> None:
    told = weigh_restart(lost(phased(0.05), phased(0.0)), [], announces_itself=False)
    assert log_odds(told) == pytest.approx(phase_weight(0.0) + 0.5 * phase_weight(0.05), abs=1e-6)


def test_phases_are_told_with_what_decided_first() -> None:
    kept = weigh_restart(lost(phased(0.012), phased(-0.02)), [], announces_itself=False)
    assert kept.evidence == ("2 cyclic streams came back in phase, within 2.0 % of a period",)
    anew = weigh_restart(lost(phased(0.3), phased(-0.25), phased(0.0)), [], announces_itself=False)
    weights = [phase_weight(shift) for shift in (0.3, -0.25, 0.0)]
    strongest = max(weights, key=abs)
    assert log_odds(anew) == pytest.approx(strongest + 0.5 * (sum(weights) - strongest), abs=1e-6)
    in_phase = "one cyclic stream came back in phase, within 0.0 % of a period"
    off_phase = "2 cyclic streams came back out of phase, by up to 30 % of a period"
    # one stream within its phase by chance is less likely than two out of it, where tasks are put off now and then
    assert log_odds(anew) < 0.0
    assert anew.evidence == (in_phase, off_phase)
    barely = weigh_restart(lost(phased(0.3), phased(-0.25), phased(0.04)), [], announces_itself=False)
    assert log_odds(barely) > 0.0
    assert "out of phase" in barely.evidence[0]
    back = weigh_restart(lost(phased(0.3), phased(0.0), phased(0.01), phased(0.005)), [], announces_itself=False)
    assert back.evidence == (
        "3 cyclic streams came back in phase, within 1.0 % of a period",
        "one cyclic stream came back out of phase, by up to 30 % of a period",
    )


def test_a_stream_without_a_phase_hides_no_other() -> None:
    unknown = silence(40 * S, BACK_NS)
    told = weigh_restart(lost((stream(unknown), unknown), phased(0.0)), [], announces_itself=False)
    assert log_odds(told) == pytest.approx(phase_weight(0.0), abs=1e-6)


def test_what_speaks_the_other_way_is_told_as_such_after_what_decided() -> None:
    told = weigh_restart(lost(phased(0.0)), [sign(SignKind.BOOT_UP)], announces_itself=True)
    assert log_odds(told) == pytest.approx(7.0 + phase_weight(0.0), abs=1e-6)
    assert told.evidence == (
        unasked_words(SignKind.BOOT_UP),
        "against it: one cyclic stream came back in phase, within 0.0 % of a period",
    )


# What an answer is, and what others tell


def finding(p_restarted: float | None, ran_on: RanOn = RanOn.UNKNOWN, *evidence: str) -> RestartFinding:
    return RestartFinding(ran_on=ran_on, p_restarted=p_restarted, evidence=evidence)


def test_four_to_one_is_an_answer() -> None:
    # others are worth half of their log odds: 0.98 and 0.93 stand for about 0.875 and 0.785
    for p, ran_on in (
        (0.98, RanOn.RESTARTED),
        (0.93, RanOn.UNKNOWN),
        (0.07, RanOn.UNKNOWN),
        (0.02, RanOn.KEPT_RUNNING),
    ):
        _, other = share_evidence([finding(p), finding(None)])
        assert other is not None
        assert other.ran_on is ran_on
        assert log_odds(other) == pytest.approx(0.5 * math.log(p / (1.0 - p)), abs=1e-9)


def test_others_are_worth_half_and_never_more_than_twelve_to_one() -> None:
    two, unknown = share_evidence([finding(0.9999999), finding(None)])
    assert two == finding(0.9999999)  # nobody else showed anything
    assert unknown is not None
    assert log_odds(unknown) == pytest.approx(2.5, abs=1e-9)
    for p in (0.0, 1.0):
        first, second, third = share_evidence([finding(p), finding(p), finding(None)])
        assert first is not None
        assert second is not None
        assert third is not None
        towards = 1.0 if p else -1.0
        assert log_odds(first) == pytest.approx(towards * 8.5, abs=1e-6)  # 6 of its own and 2.5 of the other
        assert log_odds(third) == pytest.approx(towards * 2.5, abs=1e-9)
    one, other = share_evidence([finding(0.6), finding(0.3)])
    assert one is not None
    assert other is not None
    assert log_odds(one) == pytest.approx(math.log(1.5) + 0.5 * math.log(3 / 7), abs=1e-9)
    assert log_odds(other) == pytest.approx(math.log(3 / 7) + 0.5 * math.log(1.5), abs=1e-9)


def test_what_others_show_is_said_where_it_is_worth_a_word() -> None:
    for p, words in (
        (0.95, ("own", "the controllers lost with it restarted too")),
        (0.05, ("own", "the controllers lost with it kept running too")),
        (0.85, ("own",)),  # half of its log odds are 0.87
        (0.15, ("own",)),
    ):
        _, told = share_evidence([finding(p), finding(None, RanOn.UNKNOWN, "own")])
        assert told is not None
        assert told.evidence == words


def test_who_is_not_back_tells_nothing_and_is_told_nothing() -> None:
    assert share_evidence([None, finding(0.99)]) == [None, finding(0.99)]
    assert share_evidence([finding(None), None, finding(None)]) == [finding(None), None, finding(None)]
