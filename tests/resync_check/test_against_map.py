"""Power-ups held against the map: how they are known, what changed since the baseline, and who waited for whom."""

from pathlib import Path

import numpy as np
import pytest

from busdoc.actions.action import Action, ActionKind
from busdoc.analysis.case import Case
from busdoc.analysis.resync import Resync, judge_resync
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameFlag
from busdoc.decode.database.database import load_databases
from busdoc.errors import InputError
from busdoc.machine.machine import Wake
from busdoc.machine.machine_map import machine_from_text
from busdoc.report.json.resync_document import resync_entries
from busdoc.report.terminal.resync import render_power_up
from busdoc.report.words.returns import summary_of
from busdoc.resync_check.baseline import learn_baseline
from busdoc.resync_check.baseline_text import merge_into
from busdoc.resync_check.changes import ChangeKind
from busdoc.resync_check.records import ControllerReturn, FoundBy, PowerUpReturn, ReturnFault, ReturnVerdict, Zero
from tests.health.made_traffic import S, Sent, at, merged
from tests.health.sweeper import EVERYBODY, MAP, REAR, Sweeper, with_limits

IGNITION = """VERSION ""

BU_: key

BO_ 2566869248 Ignition: 8 key
 SG_ Rear : 0|8@1+ (1,0) [0|1] "" key
"""
KEY_FRAME = 2566869248 & 0x1FFFFFFF


def judged(
    sweeper: Sweeper, text: str = MAP, *actions: Action, database: Path | None = None, errors: int = 0
) -> Resync:
    channels = ChannelTable()
    channels.number("can0")
    more = []
    if errors:
        t_ns = np.linspace(1, sweeper.until_s * S - 1, errors).astype(np.int64)
        more.append(Sent(id=0x08, t_ns=t_ns, extended=False, flags=int(FrameFlag.ERROR)))
    known = None if database is None else load_databases([database])
    case = Case(machine=machine_from_text(text, "map"), channels=channels, database=known)
    watches = Watches(case)
    watches.feed(merged(*sweeper.sent(), *more))
    return judge_resync(case, watches, actions)


def press(kind: ActionKind, time_s: float, part: str | None = None, into: str | None = None) -> Action:
    return Action(n=1, time_ns=round(time_s * S), uncertainty_ns=S // 2, kind=kind, part=part, into=into)


def only(found: Resync) -> PowerUpReturn:
    (power_up,) = found.power_ups
    return power_up


def of(power_up: PowerUpReturn, name: str) -> ControllerReturn:
    return next(one for one in power_up.controllers if one.name == name)


def kinds(found: Resync) -> list[tuple[ChangeKind, str | None]]:
    return [(one.kind, one.controller) for one in found.changes]


# How a power-up is known

REAR_TOO = ("engine", "hopper", "broom")


@pytest.fixture
def ignition(tmp_path: Path) -> Path:
    path = tmp_path / "key.dbc"
    path.write_text(IGNITION, encoding="utf-8")
    return path


def key(sweeper: Sweeper, off_s: float, on_s: float) -> Sent:
    """The key's own frame, ten a second throughout: 1 while the rear feed is on."""
    t_ns = np.arange(0, round(sweeper.until_s * S), S // 10)
    data = np.zeros((len(t_ns), 8), np.uint8)
    data[:, 0] = (t_ns < off_s * S) | (t_ns >= on_s * S)
    return Sent(id=KEY_FRAME, t_ns=t_ns, data=data)


def test_the_signal_of_a_feed_tells_when_it_was_switched_on(ignition: Path) -> None:
    sweeper = Sweeper().switch(20.0, 25.0, REAR)
    sweeper.more.append(key(sweeper, 20.0, 25.0))
    power_up = only(judged(sweeper, database=ignition)).power_up
    assert (power_up.feed, power_up.found_by, power_up.zero) == ("fuse-3", FoundBy.SIGNAL, Zero.SIGNAL)
    assert power_up.time_ns == 25 * S
    assert power_up.uncertainty_ns == pytest.approx(S / 10 / np.sqrt(12), rel=0.02)  # anywhere within a period


def test_a_feed_that_goes_off_and_on_is_a_power_up_of_its_controllers_alone() -> None:
    power_up = only(judged(Sweeper().switch(20.0, 25.0, REAR)))
    assert (power_up.power_up.feed, power_up.power_up.found_by) == ("fuse-3", FoundBy.TRAFFIC)
    assert {one.name for one in power_up.controllers} == set(REAR)
    assert of(power_up, "broom").first_ns == power_up.power_up.zero_ns


def test_one_controller_that_comes_back_alone_may_have_crashed_and_is_no_power_up() -> None:
    assert judged(Sweeper().switch(20.0, 25.0, ("lights",))).power_ups == ()


def test_a_feed_of_one_controller_that_somebody_switched_on_is_a_power_up() -> None:
    action = press(ActionKind.POWER_ON, 25.2, "fuse-4")
    power_up = only(judged(Sweeper().switch(20.0, 25.0, ("lights",)), MAP, action))
    assert (power_up.power_up.feed, power_up.power_up.found_by) == ("fuse-4", FoundBy.JOURNAL)
    assert [one.name for one in power_up.controllers] == ["lights"]


def test_a_controller_that_crashes_later_does_not_end_what_is_followed_of_a_power_up() -> None:
    found = judged(Sweeper().switch(20.0, 25.0).switch(40.0, 44.0, ("lights",)))
    assert only(found).power_up.until_ns == found.health.until_ns


def test_a_press_counts_within_its_uncertainty_and_says_so_in_json() -> None:
    found = judged(Sweeper().switch(20.0, 25.0), MAP, press(ActionKind.POWER_ON, 25.3))
    (entry,) = resync_entries(found.power_ups)
    assert (entry["zero"], entry["uncertainty_s"], entry["power_up_s"]) == ("press", 0.5, 25.3)
    assert entry["first_frame_s"] == pytest.approx(25.542, abs=0.002)


def test_a_press_for_off_and_on_does_not_tell_when_power_came() -> None:
    power_up = only(judged(Sweeper().switch(20.0, 25.0), MAP, press(ActionKind.POWER_CYCLE, 20.3))).power_up
    assert (power_up.found_by, power_up.zero, power_up.uncertainty_ns) == (FoundBy.JOURNAL, Zero.FIRST_FRAME, 0)
    assert power_up.time_ns == power_up.zero_ns


def test_a_machine_that_was_on_already_is_told_from_one_that_starts() -> None:
    assert not judged(Sweeper()).opening.starting
    begun = Sweeper()
    begun.off.append((0.0, 0.0, {"engine": 0.5, "hopper": 4.5, "broom": 3.0, "lights": 0.7}))
    found = judged(begun)
    assert found.opening.starting
    assert only(found).power_up.found_by is FoundBy.OPENING


def test_a_recording_that_begins_in_the_middle_of_the_start_gives_no_pass_and_says_why() -> None:
    begun = Sweeper()
    begun.off.append((0.0, 0.0, {"engine": 0.0, "hopper": 1.5, "broom": 1.0, "lights": 0.0}))
    power_up = only(judged(begun, with_limits(hopper=4.0, broom=4.0)))
    assert not power_up.power_up.whole
    assert power_up.verdict is ReturnVerdict.NO_LIMIT
    assert "the recording begins in the middle of the start" in of(power_up, "engine").reasons[0]


def test_nobody_is_late_in_a_recording_that_begins_in_the_middle_of_the_start() -> None:
    begun = Sweeper()
    begun.off.append((0.0, 0.0, {"engine": 0.0, "hopper": 12.0, "broom": 1.0, "lights": 0.0}))
    power_up = only(judged(begun, with_limits(hopper=4.0, broom=4.0)))
    hopper = of(power_up, "hopper")
    assert (hopper.verdict, hopper.faults, power_up.verdict) == (ReturnVerdict.NO_LIMIT, (), ReturnVerdict.NO_LIMIT)
    assert "into the recording, which begins in the middle of the start" in hopper.reasons[0]


def test_who_stays_away_fails_even_where_the_recording_begins_in_the_middle_of_the_start() -> None:
    begun = Sweeper()
    begun.off.append((0.0, 0.0, {"engine": 0.0, "hopper": 1.5, "broom": 1.0, "lights": 0.0}))
    begun.off.append((0.0, 0.0, {"hopper": 200.0}))
    power_up = only(judged(begun, with_limits(hopper=4.0, broom=4.0)))
    assert of(power_up, "hopper").faults == (ReturnFault.MISSING,)


def test_one_that_falls_again_while_settling_and_comes_only_with_the_next_power_cycle_fails() -> None:
    found = judged(
        Sweeper(until_s=80.0).switch(20.0, 25.0).switch(30.0, 49.0, ("lights",)).switch(42.0, 48.0, REAR_TOO)
    )
    first = found.power_ups[0]
    assert ReturnFault.FELL_AGAIN in of(first, "lights").faults
    assert {one.name for one in first.controllers if one.faults} == {"lights"}


def test_a_machine_that_is_switched_off_soon_again_did_not_fall() -> None:
    found = judged(Sweeper(until_s=80.0).switch(20.0, 25.0).switch(32.0, 40.0))
    assert [one.faults for power_up in found.power_ups for one in power_up.controllers] == [()] * 8


def test_one_that_is_switched_off_soon_again_and_whose_controllers_let_go_in_turn_did_not_fall() -> None:
    sweeper = Sweeper(until_s=80.0).switch(20.0, 25.0)
    for k, name in enumerate(("engine", "broom", "hopper", "lights")):
        sweeper.switch(32.0 + 1.2 * k, 45.0, (name,))
    found = judged(sweeper)
    assert len(found.power_ups) == 2
    assert [one.faults for power_up in found.power_ups for one in power_up.controllers] == [()] * 8


# A delay of all together

WAKE = 'name = "Street sweeper"\nfirst_frame_usually_s = 0.5\nfirst_frame_within_s = 1.0'


def late_by(seconds: float, *actions: Action, text: str | None = None) -> PowerUpReturn:
    map_text = with_limits(MAP.replace('name = "Street sweeper"', WAKE)) if text is None else text
    sweeper = Sweeper().switch(
        20.0, 25.0, engine=0.5 + seconds, hopper=1.5 + seconds, broom=1.0 + seconds, lights=0.7 + seconds
    )
    return only(judged(sweeper, map_text, *actions))


def test_all_controllers_late_by_the_same_time_fail_where_somebody_pressed() -> None:
    power_up = late_by(4.0, press(ActionKind.POWER_ON, 25.0))
    assert {one.verdict for one in power_up.controllers} == {ReturnVerdict.PASS}
    assert (power_up.verdict, power_up.faults) == (ReturnVerdict.FAIL, (ReturnFault.ALL_LATE,))
    assert summary_of(power_up).startswith("FAIL: all were late together: the first frame came 4.5 s after power")
    assert "late together" in render_power_up(power_up, 1, 0, epoch=False).replace("\n  ", " ")


def test_a_delay_within_what_a_press_is_good_to_accuses_nobody() -> None:
    assert late_by(1.0, press(ActionKind.POWER_ON, 25.0)).verdict is ReturnVerdict.PASS


def test_where_nobody_pressed_a_delay_of_all_cannot_be_seen() -> None:
    power_up = late_by(4.0)
    assert (power_up.power_up.zero, power_up.verdict) == (Zero.FIRST_FRAME, ReturnVerdict.PASS)


def test_a_signal_shows_a_delay_of_all_that_a_press_could_not(ignition: Path) -> None:
    text = MAP.replace('signal = "Ignition.Rear"', 'signal = "Ignition.Rear"\nfirst_frame_within_s = 1.5')
    sweeper = Sweeper().switch(20.0, 25.0, REAR, hopper=2.2, broom=1.8)
    sweeper.more.append(key(sweeper, 20.0, 25.0))
    power_up = only(judged(sweeper, text, database=ignition))
    assert power_up.faults == (ReturnFault.ALL_LATE,)


def test_a_baseline_learns_how_soon_the_first_frame_follows_a_press() -> None:
    sweeper, actions = Sweeper(until_s=160.0), []
    for n, press_after_s in enumerate((0.1, 0.3, 0.0, 0.2)):
        sweeper.switch(20.0 + 30 * n, 25.0 + 30 * n)
        actions.append(press(ActionKind.POWER_ON, 25.0 + 30 * n + press_after_s))
    found = judged(sweeper, MAP, *actions)
    text = merge_into(MAP, learn_baseline(found.health, found.power_ups)).text
    machine = machine_from_text(text, "learnt")
    # noncentral t, k(4; 0.99, 0.95) = 7.042 (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3)
    wakes_s = [one.power_up.wake_ns / S for one in found.power_ups if one.power_up.wake_ns is not None]
    bound_s = np.mean(wakes_s) + 7.042 * np.std(wakes_s, ddof=1)
    assert machine.wake.usual_ns == pytest.approx(np.median(wakes_s) * S, abs=0.005 * S)
    assert machine.wake.limit_ns is not None
    assert bound_s <= machine.wake.limit_ns / S <= bound_s + 0.1


def test_only_a_feed_may_say_how_soon_its_controllers_speak() -> None:
    wrong = MAP + '\n[[part]]\nname = "rear-trunk"\nkind = "segment"\nfirst_frame_within_s = 2.0\n'
    with pytest.raises(InputError, match="a feed"):
        machine_from_text(wrong, "map")
    assert machine_from_text(MAP, "map").wake == Wake()


# What changed


def test_a_machine_that_is_as_it_was_shows_no_change() -> None:
    assert judged(Sweeper().switch(20.0, 25.0), with_limits()).changes == ()


def test_a_controller_that_is_not_heard_is_missing() -> None:
    assert kinds(judged(Sweeper().switch(0.0, 99.0, ("lights",)))) == [(ChangeKind.MISSING, "lights")]


@pytest.mark.parametrize(
    ("identifier", "extended", "name"),
    [(0x18FF5050, True, "address 0x50"), (0x1A0, False, "id 0x1A0"), (0x705, False, "node 5")],
)
def test_a_new_controller_is_told_with_or_without_an_address(identifier: int, extended: bool, name: str) -> None:
    sweeper = Sweeper().switch(20.0, 25.0)
    beats = np.concatenate((np.arange(0, 20 * S, S // 10), np.arange(26 * S, 60 * S, S // 10)))
    data = np.full((len(beats), 8), 0x05, np.uint8)
    length = 1 if identifier == 0x705 else 8
    sweeper.more.append(Sent(id=identifier, t_ns=beats, data=data, extended=extended, length=length))
    found = judged(sweeper)
    assert kinds(found) == [(ChangeKind.NEW, name)]
    assert only(found).new == (name,)


@pytest.mark.parametrize(("boot_s", "kind"), [(2.3, ChangeKind.SLOWER), (0.6, ChangeKind.FASTER)])
def test_a_slower_or_faster_return_within_the_limit_is_told(boot_s: float, kind: ChangeKind) -> None:
    found = judged(Sweeper().switch(20.0, 25.0, hopper=boot_s), with_limits())
    assert found.verdict is ReturnVerdict.PASS
    assert kinds(found) == [(kind, "hopper")]


def test_a_stream_that_comes_less_evenly_than_it_did_is_noisier() -> None:
    found = judged(Sweeper(spread_ms=10.0).switch(20.0, 25.0), with_limits())
    assert kinds(found) == [(ChangeKind.NOISIER, name) for name in EVERYBODY]
    assert "it used to be 0.5 ms" in found.changes[0].text


def test_the_spread_of_the_adapter_alone_is_no_noise() -> None:
    assert judged(Sweeper(spread_ms=2.0).switch(20.0, 25.0), with_limits()).changes == ()


def test_a_bus_that_carries_more_than_it_did_is_told() -> None:
    text = MAP.replace("bitrate = 250000", "bitrate = 250000\nusual_load = 0.02\nusual_errors_per_min = 0.5")
    sweeper = Sweeper()
    sweeper.more.append(Sent(id=0x0CFF0000, t_ns=np.arange(0, 60 * S, S // 200)))  # 200 frames of 128 bits or more
    found = judged(sweeper, text, errors=40)
    assert [one.kind for one in found.changes] == [ChangeKind.LOAD, ChangeKind.ERROR_FRAMES]
    assert found.changes[1].text == "can0: 40.0 error frames a minute, it used to be 0.5."


def test_a_few_error_frames_are_not_more_than_it_had() -> None:
    text = MAP.replace("bitrate = 250000", "bitrate = 250000\nusual_errors_per_min = 5.0")
    assert judged(Sweeper(), text, errors=12).changes == ()


# Another unit

NAME = 0xA000_0000_0000_0031
OTHER = 0xA000_0000_0000_0099


def exchanged(*actions: Action) -> Resync:
    sweeper = Sweeper().switch(20.0, 25.0)
    sweeper.more.append(at(0x18EEFF31, round(26.4 * S), OTHER.to_bytes(8, "little")))
    text = with_limits(MAP.replace("address = 0x31", f'address = 0x31\ncan_name = "0x{NAME:016X}"'))
    return judged(sweeper, text, *actions)


def test_another_name_at_an_address_fails_unless_the_journal_says_so() -> None:
    found = exchanged()
    assert of(only(found), "hopper").faults == (ReturnFault.EXCHANGED,)
    assert kinds(found) == [(ChangeKind.EXCHANGED, "hopper")]


@pytest.mark.parametrize(
    ("kind", "into"), [(ActionKind.REPLACE, None), (ActionKind.SWAP, "broom")], ids=["replaced", "swapped"]
)
def test_a_unit_that_was_written_down_as_exchanged_passes_with_a_note(kind: ActionKind, into: str | None) -> None:
    one = of(only(exchanged(press(kind, 22.0, "hopper", into))), "hopper")
    assert one.verdict is ReturnVerdict.PASS
    assert one.notes[0].endswith("as the journal says")


# Who waits for whom

AFTER = with_limits().replace('name = "hopper"', 'name = "hopper"\nstarts_after = "broom"')


def test_one_that_starts_after_another_that_did_not_come_names_it() -> None:
    power_up = only(judged(Sweeper().switch(20.0, 25.0, hopper=99.0, broom=99.0), AFTER))
    assert of(power_up, "hopper").waited_for == "broom"
    assert of(power_up, "broom").waited_for is None
    assert of(power_up, "hopper").reasons[-1] == "starts only after broom, which did not come either"


def test_of_two_that_were_as_late_the_one_that_the_map_names_is_waited_for() -> None:
    late = Sweeper().switch(20.0, 25.0, lights=5.6, broom=6.0, hopper=6.4)
    power_up = only(judged(late, AFTER))
    assert of(power_up, "hopper").waited_for == "broom"


def test_a_baseline_learns_who_follows_whom() -> None:
    rng = np.random.default_rng(3)
    sweeper = Sweeper(until_s=220.0)
    for n in range(6):
        broom_s = float(rng.uniform(0.8, 2.8))
        lights_s = float(rng.uniform(0.5, 2.5))
        sweeper.switch(20.0 + 30 * n, 25.0 + 30 * n, broom=broom_s, hopper=broom_s + 0.4, lights=lights_s)
    found = judged(sweeper)
    learnt = learn_baseline(found.health, found.power_ups)
    assert {one.name: one.starts_after for one in learnt.controllers if one.starts_after} == {"hopper": "broom"}
    machine = machine_from_text(merge_into(MAP, learnt).text, "learnt")
    assert machine.controllers["hopper"].starts_after == "broom"
