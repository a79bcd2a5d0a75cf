"""Resync while the clock runs: the same answer from any cutting, over real bus interfaces, and to a person's eyes."""

import io
import json
import math
import signal
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import can
import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busdoc.report.json
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState, Hearing, Taken
from busdoc.capture.playback import Playback
from busdoc.capture.reading import RecorderGap
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from busdoc.health.controller import ControllerState
from busdoc.live.resync.news import NewsKind, ReturnNews
from busdoc.live.resync.resync_live import ResyncLive
from busdoc.live.resync.stages import Stage
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.records import ReturnFault, ReturnVerdict, Zero
from busdoc.screen.drawing.states import STATES
from tests.capture.real_paths import PATHS, Carrier, real_path
from tests.health.made_traffic import S, merged
from tests.health.sweeper import MAP, Sweeper, with_limits

SCHEMA = Path(busdoc.report.json.__file__).parent / "schema" / "busdoc-verdict-1.json"
START_NS = 1_772_000_000 * S
LIMITS = with_limits()


@dataclass
class Pieces:
    """A source that hands over pieces as they were laid out, each with how far was heard by then."""

    frames: FrameBlock
    ends_ns: Sequence[int]
    from_ns: int
    gaps: dict[int, RecorderGap] = field(default_factory=dict)
    """By piece: stretches that are not heard while it is taken."""
    channels: ChannelTable = field(default_factory=ChannelTable)
    epoch: bool = True
    finished: bool = False
    _taken: int = 0
    _at_ns: int = 0

    def start(self) -> None:
        self.channels.number("can0")
        self._at_ns = self.from_ns

    def stop(self) -> None:
        self.finished = True

    def now_ns(self) -> int:
        return self._at_ns

    def take(self) -> Taken:
        first, last = (int(np.searchsorted(self.frames.t_ns, t, side="right")) for t in (self._at_ns, self._end_ns()))
        if self._taken == 0:
            first = 0
        self._at_ns = self._end_ns()
        gap = self.gaps.get(self._taken)
        over = self.gaps.get(self._taken - 1) if gap is None else None
        self._taken += 1
        self.finished = self._taken >= len(self.ends_ns)
        return Taken(
            frames=self.frames.slice(first, last),
            gaps=() if over is None else (over,),
            heard_until_ns=self._at_ns,
            open_gaps=() if gap is None else (gap,),
        )

    def _end_ns(self) -> int:
        return self.ends_ns[min(self._taken, len(self.ends_ns) - 1)]

    def buses(self) -> tuple[BusState, ...]:
        return (BusState(name="test:0", channel=0, hearing=Hearing.HEARD, since_ns=0),)


def in_epoch(block: FrameBlock) -> FrameBlock:
    return FrameBlock(
        t_ns=block.t_ns + START_NS,
        channel=block.channel,
        id=block.id,
        flags=block.flags,
        length=block.length,
        data=block.data,
    )


def traffic(sweeper: Sweeper) -> FrameBlock:
    return in_epoch(merged(*sweeper.sent()))


def cut(block: FrameBlock, step_s: float, *, from_s: float = 0.0) -> Pieces:
    last_ns = int(block.t_ns[-1])
    ends = [*range(START_NS + round(step_s * S), last_ns, round(step_s * S)), last_ns]
    return Pieces(frames=block, ends_ns=ends, from_ns=START_NS - round(from_s * S))


def run(
    source: Pieces, text: str = LIMITS, *, within_s: float | None = None, settle_s: float = 3.0
) -> tuple[ResyncLive, list[ReturnNews]]:
    within_ns = None if within_s is None else round(within_s * S)
    live = ResyncLive(source, machine_from_text(text, "map"), within_ns=within_ns, settle_ns=round(settle_s * S))
    return live, followed(live)


def followed(live: ResyncLive) -> list[ReturnNews]:
    live.start()
    news: list[ReturnNews] = []
    while not live.done:
        news += live.step()
    live.stop()
    return news


def of_kind(news: Iterable[ReturnNews], *kinds: NewsKind) -> list[ReturnNews]:
    return [one for one in news if one.kind in kinds]


def test_each_controller_is_counted_home_and_then_all() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0)), 0.05))
    assert [one.kind for one in news] == [
        NewsKind.ON,
        NewsKind.SILENT,
        NewsKind.POWER,
        *[NewsKind.HOME] * 4,
        NewsKind.ALL_HOME,
    ]
    assert [one.controller for one in of_kind(news, NewsKind.HOME)] == ["engine", "lights", "broom", "hopper"]
    assert [(one.home, one.due) for one in of_kind(news, NewsKind.HOME)] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert news[-1].text.startswith("all back in step after 1.1 s")
    assert live.following.verdict is ReturnVerdict.PASS


def test_it_ends_when_the_settling_time_is_over_and_not_before() -> None:
    live, _ = run(cut(traffic(Sweeper().switch(10.0, 15.0)), 0.05), settle_s=10.0)
    slowest = live.following.power_up.slowest if live.following.power_up is not None else None
    assert slowest is not None
    assert slowest.steady_ns is not None
    assert 10 * S <= live.result().health.until_ns - slowest.steady_ns < 10.2 * S


def test_a_machine_that_is_off_when_listening_begins_is_seen_whole() -> None:
    sweeper = Sweeper()
    sweeper.off.append((0.0, 3.0, {"engine": 0.5, "hopper": 1.5, "broom": 1.0, "lights": 0.7}))
    live, news = run(cut(traffic(sweeper), 0.05, from_s=1.0))
    assert [one.kind for one in news[:2]] == [NewsKind.SILENT, NewsKind.POWER]
    assert news[0].text == "nothing heard yet: switch it on"
    assert live.following.verdict is ReturnVerdict.PASS


def test_a_machine_that_is_starting_already_must_be_switched_again() -> None:
    sweeper = Sweeper()
    sweeper.off.append((0.0, 0.0, {"engine": 0.0, "hopper": 2.5, "broom": 1.0, "lights": 0.0}))
    live, news = run(cut(traffic(sweeper.switch(20.0, 25.0)), 0.05))
    assert news[0].kind is NewsKind.ON
    power_up = live.following.power_up
    assert power_up is not None
    assert power_up.power_up.time_ns == pytest.approx(START_NS + 25.5 * S, abs=0.1 * S)


def test_who_is_missing_is_named_at_the_limit_and_when_time_is_up() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0, hopper=99.0)), 0.05), settle_s=10.0)
    late = of_kind(news, NewsKind.LATE)
    assert [(one.controller, (one.after_ns or 0) / S) for one in late] == [("hopper", 2.5), ("hopper", 12.5)]
    assert (live.following.not_back(), live.following.verdict) == (("hopper",), ReturnVerdict.FAIL)


def test_a_time_limit_of_ones_own_names_the_missing_even_where_no_limit_is_known() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0, hopper=8.0)), 0.05), MAP, within_s=4.0)
    assert [one.controller for one in of_kind(news, NewsKind.LATE)] == ["hopper"]
    assert (live.following.not_back(), live.following.verdict) == (("hopper",), ReturnVerdict.FAIL)


def test_switched_off_again_it_counts_anew() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0, hopper=9.0).switch(18.0, 21.0)), 0.05), settle_s=10.0)
    assert [one.kind for one in of_kind(news, NewsKind.POWER, NewsKind.OFF_AGAIN)] == [
        NewsKind.POWER,
        NewsKind.OFF_AGAIN,
        NewsKind.POWER,
    ]
    assert live.following.verdict is ReturnVerdict.PASS


def test_one_that_restarts_while_the_others_settle_fails() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0).switch(20.0, 20.6, ("broom",))), 0.05), settle_s=10.0)
    assert [one.controller for one in of_kind(news, NewsKind.RESTARTED)] == ["broom"]
    power_up = live.following.power_up
    assert power_up is not None
    faults = {one.name: one.faults for one in power_up.controllers}
    assert ReturnFault.RESTARTED in faults["broom"]


def test_one_that_falls_again_is_told_and_must_come_home_again() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0).switch(20.0, 23.0, ("broom",))), 0.05), settle_s=10.0)
    told = [(one.kind, one.home) for one in news if one.controller == "broom"]
    kinds = [NewsKind.HOME, NewsKind.FELL, NewsKind.RESTARTED, NewsKind.HOME]
    assert [kind for kind, _ in told] == kinds
    assert [home for _, home in told][1] == 3
    assert [one.kind for one in news].count(NewsKind.ALL_HOME) == 2
    assert live.following.verdict is ReturnVerdict.FAIL


def test_one_that_falls_again_and_stays_away_is_not_counted() -> None:
    live, news = run(cut(traffic(Sweeper().switch(10.0, 15.0).switch(20.0, 99.0, ("broom",))), 0.05), settle_s=10.0)
    assert live.following.not_back() == ("broom",)
    assert of_kind(news, NewsKind.LATE)[-1].text == "missing: fell silent again"


def test_when_power_goes_off_again_nobody_is_said_to_have_fallen() -> None:
    _, news = run(cut(traffic(Sweeper().switch(10.0, 15.0).switch(20.0, 24.0)), 0.05))
    assert of_kind(news, NewsKind.FELL) == []


def test_controllers_of_several_buses_are_counted_home_together() -> None:
    block = traffic(Sweeper().switch(10.0, 15.0))
    second = np.isin(block.id, [0x18FF3131, 0x18FF3232])
    halves = np.where(second, 1, 0).astype(block.channel.dtype)
    tables = LIMITS.replace("[[part]]", "[[bus]]\nchannel = 1\nbitrate = 250000\n\n[[part]]", 1)
    for name in ("hopper", "broom"):
        tables = tables.replace(f'name = "{name}"\n', f'name = "{name}"\nchannel = 1\n')
    source = cut(replace(block, channel=halves), 0.05)
    source.channels.number("can0")
    source.channels.number("can1")
    live, news = run(source, tables)
    assert [(one.home, one.due) for one in of_kind(news, NewsKind.HOME)] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert live.following.verdict is ReturnVerdict.PASS


def test_a_key_notes_the_moment_of_switching_on() -> None:
    source = cut(traffic(Sweeper().switch(10.0, 15.0)), 0.05)
    live = ResyncLive(source, machine_from_text(LIMITS, "map"))
    live.start()
    pressed = False
    while not live.done:
        live.step()
        if not pressed and source.now_ns() >= START_NS + 15 * S:
            live.press()
            pressed = True
    power_up = live.following.power_up
    assert power_up is not None
    assert power_up.power_up.zero is Zero.PRESS
    assert power_up.power_up.time_ns == pytest.approx(START_NS + 15 * S, abs=0.06 * S)


def test_while_an_adapter_is_away_nobody_is_missed() -> None:
    block = traffic(Sweeper().switch(10.0, 15.0))
    from_ns, to_ns = START_NS + 20 * S, START_NS + 23 * S
    heard = block.take((block.t_ns <= from_ns) | (block.t_ns >= to_ns))
    source = cut(heard, 0.05)
    for piece, end_ns in enumerate(source.ends_ns):
        if from_ns < end_ns < to_ns:
            source.gaps[piece] = RecorderGap(from_ns=from_ns, to_ns=end_ns, channel=None, why="the adapter was away")
    source.gaps[max(source.gaps) + 1] = RecorderGap(from_ns=from_ns, to_ns=to_ns, channel=None, why="it was away")
    _, news = run(source)
    assert of_kind(news, NewsKind.RESTARTED, NewsKind.OFF_AGAIN, NewsKind.LATE) == []


@cache
def some_traffic() -> FrameBlock:
    return traffic(Sweeper(until_s=40.0).switch(10.0, 15.0, hopper=4.0))


@cache
def evenly() -> tuple[ResyncLive, list[ReturnNews]]:
    return run(cut(some_traffic(), 0.05))


@given(cuts=st.lists(st.floats(0.0, 1.0), max_size=30))
@settings(max_examples=4)
def test_what_is_said_does_not_depend_on_how_the_frames_come_in(cuts: list[float]) -> None:
    block = some_traffic()
    lasts_ns = int(block.t_ns[-1]) - START_NS
    ends = sorted({*(START_NS + round(share * lasts_ns) for share in cuts), int(block.t_ns[-1])})
    _, even = evenly()
    _, uneven = run(Pieces(frames=block, ends_ns=ends, from_ns=START_NS))
    assert uneven == even


def test_a_recording_says_the_same_at_its_own_pace_and_as_fast_as_it_is_read(tmp_path: Path) -> None:
    path = written(tmp_path, Sweeper(until_s=30.0).switch(10.0, 15.0))
    ticks_ns = iter(range(0, 60 * S, S // 20))
    sources = (Playback([path], math.inf), Playback([path], 1.0, clock_ns=lambda: next(ticks_ns)))
    fast, paced = (followed(ResyncLive(source, machine_from_text(LIMITS, "map"))) for source in sources)
    assert fast == paced
    assert fast[-1].kind is NewsKind.ALL_HOME


def written(folder: Path, sweeper: Sweeper) -> Path:
    channels = ChannelTable()
    channels.number("can0")
    write_log(folder / "power-cycle.log", [traffic(sweeper)], channels)
    (folder / "sweeper.toml").write_text(LIMITS, encoding="utf-8")
    return folder / "power-cycle.log"


# Over real interfaces


@pytest.mark.parametrize("kind", PATHS)
def test_over_a_real_bus_all_are_counted_home(kind: str) -> None:
    block = traffic(Sweeper(until_s=5.0).switch(0.6, 1.8))
    news: list[ReturnNews] = []
    with real_path(kind, 8) as path:
        carrier = Carrier(path, int(block.t_ns[0]))
        live = ResyncLive(carrier.source, machine_from_text(LIMITS, "map"), settle_ns=S)
        live.start()
        carrier.carry(block, lambda: news.extend(live.step()))
        live.stop()
    assert [one.controller for one in of_kind(news, NewsKind.HOME)] == ["engine", "lights", "broom", "hopper"]
    assert (live.stage, live.following.verdict) == (Stage.DONE, ReturnVerdict.PASS)
    (home,) = of_kind(news, NewsKind.ALL_HOME)
    assert home.after_ns == pytest.approx(1.1 * S, abs=0.05 * S)


def test_following_a_power_up_transmits_nothing() -> None:
    block = traffic(Sweeper(until_s=3.0).switch(0.5, 1.7))
    with real_path("virtual", 9) as path, can.Bus(interface="virtual", channel="path-9") as witness:
        carrier = Carrier(path, int(block.t_ns[0]))
        live = ResyncLive(carrier.source, machine_from_text(LIMITS, "map"), within_ns=S, settle_ns=S // 10)
        live.start()
        carrier.carry(block, live.step)
        live.stop()
        seen = []
        while (message := witness.recv(0.0)) is not None:
            seen.append(message.arbitration_id)
    assert seen == block.id.tolist()


# On the command line


class Terminal(io.StringIO):
    """A terminal that keeps what was written, and calls back on each line."""

    def __init__(self, seen: Callable[[str], object] = lambda _: None) -> None:
        super().__init__()
        self._seen = seen

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        self._seen(text)
        return super().write(text)


def typed(*words: object, seen: Callable[[str], object] = lambda _: None) -> tuple[int, str, str]:
    stdout, stderr = Terminal(seen), io.StringIO()
    status = main([str(word) for word in words], Surroundings(stdout=stdout, stderr=stderr, environ={"COLUMNS": "100"}))
    return int(status), stdout.getvalue(), stderr.getvalue()


def replayed(folder: Path, sweeper: Sweeper, *words: object) -> tuple[int, str, str]:
    path = written(folder, sweeper)
    return typed("resync", "--replay", path, "--speed", "max", "--machine", folder / "sweeper.toml", *words)


def test_a_healthy_return_rings_twice_and_ends_with_status_0(tmp_path: Path) -> None:
    status, out, err = replayed(tmp_path, Sweeper().switch(10.0, 15.0))
    assert (status, err, out.count("\a")) == (0, "", 2)
    assert "steady      hopper        in step, limit 2.5 s" in out
    assert out.rstrip().endswith("PASS: all 4 back in step after 1.1 s, hopper last.")


def test_quiet_rings_no_bell(tmp_path: Path) -> None:
    assert "\a" not in replayed(tmp_path, Sweeper().switch(10.0, 15.0), "--quiet")[1]


def test_a_missing_controller_is_named_with_status_1(tmp_path: Path) -> None:
    status, out, _ = replayed(tmp_path, Sweeper().switch(10.0, 15.0, hopper=99.0), "--within", "8")
    assert status == 1
    assert "late        hopper        not one frame yet, limit 2.5 s    3 of 4" in out
    assert out.rstrip().endswith("FAIL: 3 of 4 in step; hopper not back within 8.0 s.")


def test_lines_that_are_too_long_break_between_words(tmp_path: Path) -> None:
    path = written(tmp_path, Sweeper(until_s=30.0).switch(10.0, 15.0))
    words = ("resync", "--replay", str(path), "--speed", "max", "--machine", str(tmp_path / "sweeper.toml"))
    stdout = Terminal()
    main(words, Surroundings(stdout=stdout, stderr=io.StringIO(), environ={"COLUMNS": "60"}))
    lines = stdout.getvalue().replace("\a", "").splitlines()
    assert max(map(len, lines)) <= 60
    assert "all back in step after 1.1 s; 10 s more for restarts" in " ".join(" ".join(lines).split())


def test_states_are_told_with_the_marks_and_words_of_the_screen(tmp_path: Path) -> None:
    path = written(tmp_path, Sweeper(until_s=30.0).switch(10.0, 15.0, hopper=99.0))
    stdout = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    words = ("resync", "--replay", str(path), "--speed", "max", "--machine", str(tmp_path / "sweeper.toml"))
    main(words, Surroundings(stdout=stdout, stderr=io.StringIO(), environ={}))
    stdout.seek(0)
    out = stdout.read()
    steady, late = STATES[ControllerState.STEADY], STATES[ControllerState.LATE]
    assert f"{steady.mark} {steady.word}" in out
    assert f"{late.mark} {late.word}" in out


def test_json_is_one_document_and_nothing_else(tmp_path: Path) -> None:
    status, out, _ = replayed(tmp_path, Sweeper().switch(10.0, 15.0), "--json")
    document = json.loads(out)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert (status, document["verdict"], len(document["resync"])) == (0, "pass", 1)


def test_without_a_power_up_it_is_told_what_to_do(tmp_path: Path) -> None:
    status, _, err = replayed(tmp_path, Sweeper(until_s=10.0))
    assert status == 2
    assert "switch the machine off and on" in err


@pytest.mark.usefixtures("ctrl_c_heard")
def test_ctrl_c_gives_the_verdict_so_far(tmp_path: Path) -> None:
    path = written(tmp_path, Sweeper().switch(1.0, 2.5, hopper=30.0))

    def interrupt(text: str) -> None:
        if "lights" in text and "in step" in text and "pass" not in text:
            signal.raise_signal(signal.SIGINT)

    words = ("resync", "--replay", path, "--speed", "max", "--machine", tmp_path / "sweeper.toml")
    status, out, _ = typed(*words, seen=interrupt)
    assert status == 0
    assert " ".join(out.split()).endswith("Ended with 2 of 4 in step, before broom, hopper were back.")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "none of them"),
        (("x.log", "--bus", "virtual:x"), "more than one of them"),
        (("--bus", "virtual:x", "--within", "-3"), "--within"),
        (("--replay", "x.log", "--speed", "fast"), "--speed"),
    ],
)
def test_what_does_not_fit_together_is_refused_in_a_sentence(words: tuple[str, ...], told: str) -> None:
    status, out, err = typed("resync", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert told in err
