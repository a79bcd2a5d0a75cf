"""A baseline as a map: read back, merged without losing a line, and used without a false alarm."""

import tomllib
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.analysis.baseline import baseline
from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import postmortem
from busdoc.analysis.resync import Resync, judge_resync
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_capture
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.health.incident import IncidentKind
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import Baseline, learn_baseline
from busdoc.resync_check.baseline_text import map_text, merge_into
from busdoc.resync_check.changes import ChangeKind
from busdoc.resync_check.tolerance import normal_factor
from tests.truth.by_chance.power_up import Oddity, PowerUpSession, random_power_ups
from tests.truth.by_chance.random_machine import Protocol

REAL = Path(__file__).parents[1] / "data" / "real"
NS = 1_000_000_000


def seen_by(machine: Machine, session: PowerUpSession) -> Resync:
    channels = ChannelTable()
    channels.number("can0")
    case = Case(machine=machine, channels=channels)
    watches = Watches(case)
    for block in session.run.blocks:
        watches.feed(block)
    return judge_resync(case, watches)


@cache
def learnt(seed: int = 5, protocol: Protocol = Protocol.J1939) -> tuple[PowerUpSession, Baseline]:
    session = random_power_ups(seed, Oddity.NONE, n_healthy=6, protocol=protocol)
    seen = seen_by(Machine(), session)
    return session, learn_baseline(seen.health, seen.power_ups)


def test_a_learnt_map_holds_the_machines_addresses_and_periods() -> None:
    session, found = learnt()
    machine = machine_from_text(map_text(found, name="Street sweeper"), "learnt")
    truth = {
        one.spec.identity.address: {(s.id, s.period_ns) for s in one.spec.expects}
        for one in session.run.machine.controllers.values()
    }
    read = {
        one.spec.identity.address: {(s.id, s.period_ns) for s in one.spec.expects}
        for one in machine.controllers.values()
    }
    assert read == truth


def test_a_limit_lies_above_every_return_and_above_the_published_bound() -> None:
    _, found = learnt()
    for one in found.controllers:
        assert one.limit_ns is not None
        returns_s = np.array(one.returns_ns) / NS
        bound = returns_s.mean() + normal_factor(len(returns_s), 0.99, 0.95) * returns_s.std(ddof=1)
        assert one.limit_ns / NS >= max(bound, returns_s.max())
        assert (
            one.limit_ns / NS <= max(bound, returns_s.max()) + max(s.seen.measured_ns for s in one.streams) / NS + 0.1
        )


def test_two_returns_give_no_limit() -> None:
    session = random_power_ups(6, Oddity.NONE, n_healthy=1, protocol=Protocol.J1939)
    seen = seen_by(Machine(), session)
    found = learn_baseline(seen.health, seen.power_ups)
    assert {(len(one.returns_ns), one.limit_ns) for one in found.controllers} == {(2, None)}


def test_a_controller_that_restarted_while_starting_teaches_no_time() -> None:
    session = random_power_ups(3, Oddity.RESTARTS_TWICE, n_healthy=4)
    seen = seen_by(session.run.machine, session)
    found = learn_baseline(seen.health, seen.power_ups)
    n_returns = {one.name: len(one.returns_ns) for one in found.controllers}
    assert n_returns.pop(session.controller or "") == 4
    assert set(n_returns.values()) == {5}
    assert any(text.startswith(f"{session.controller} at power-up 5: restarted") for text in found.left_out)


def test_merging_twice_adds_nothing_the_second_time() -> None:
    _, found = learnt()
    once = merge_into(map_text(found, name="m"), found)
    assert (once.text, once.added) == (map_text(found, name="m"), ())


def test_a_number_that_was_set_by_hand_stays_and_is_told() -> None:
    _, found = learnt()
    name = found.controllers[0].name
    text = f'[[controller]]\nname = "{name}"\nback_within_s = 99.0  # the maker says so\n'
    merged = merge_into(text, found)
    assert "back_within_s = 99.0  # the maker says so\n" in merged.text
    assert any(told.startswith(f"{name}: back_within_s = 99.0 stays") for told in merged.kept)
    assert machine_from_text(merged.text, "merged").controllers[name].spec.back_within_ns == 99 * NS


COMMENTS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), max_size=12)
NUMBERS = st.floats(0.1, 900.0).map(lambda value: f"{value:.3f}")


@st.composite
def hand_written_maps(draw: st.DrawFn) -> str:
    """Maps as people write them: comments anywhere, blank lines, odd orders, keys half filled in."""
    _, found = learnt()
    names = [one.name for one in found.controllers] + ["spare display"]
    rows: list[str] = []

    def remark() -> None:
        for _ in range(draw(st.integers(0, 2))):
            rows.append(draw(st.sampled_from(["", "  ", f"# {draw(COMMENTS)}", f"\t# {draw(COMMENTS)}"])))

    remark()
    if draw(st.booleans()):
        rows += ["[machine]", f"name = 'sweeper'  # {draw(COMMENTS)}"]
    remark()
    if draw(st.booleans()):
        rows += ["[[bus]]", "channel = 0", *(["bitrate = 250000"] * draw(st.integers(0, 1)))]
    for name in draw(st.lists(st.sampled_from(names), unique=True)):
        remark()
        keys = [f'name = "{name}"']
        if draw(st.booleans()):
            keys.append(f"back_within_s = {draw(NUMBERS)} # {draw(COMMENTS)}")
        if draw(st.booleans()):
            keys.append('expects = [ # mine\n  { frame = "0x701", period_s = 0.1 },\n]')
        if draw(st.booleans()):
            keys.append("latches=true")
        rows.append(f"[[controller]]  # {draw(COMMENTS)}")
        for key in draw(st.permutations(keys)):
            rows.append(key.replace("0x701", f"0x{0x600 + len(rows):X}"))
            remark()
    rows.append("# the end")
    return draw(st.sampled_from(["\n", "\r\n"])).join("\n".join(rows).split("\n"))


@given(text=hand_written_maps())
@settings(max_examples=120)
def test_merging_keeps_every_line_and_every_value(text: str) -> None:
    _, found = learnt()
    machine_from_text(text, "by hand")
    merged = merge_into(text, found).text
    rest = iter(merged.splitlines())
    assert all(any(line == later for later in rest) for line in text.splitlines()), "a line is gone, or out of order"
    before, after = tomllib.loads(text), tomllib.loads(merged)
    for kind in ("bus", "controller"):
        for mine, now in zip(before.get(kind, []), after.get(kind, []), strict=False):
            assert {key: now[key] for key in mine} == mine
    machine = machine_from_text(merged, "merged")
    assert {one.name for one in found.controllers} <= set(machine.controllers)


def mixed_machine(folder: Path) -> tuple[Path, int, list[int]]:
    """Write three made-up machines of different protocols as three channels of one capture.

    Returns the file, the number of controllers, and the last frame before each true silence, ends included.
    """
    channels = ChannelTable()
    blocks: list[FrameBlock] = []
    n = 0
    true_ends_ns: list[int] = []
    for number, protocol in enumerate(Protocol):
        session = random_power_ups(29 + number, Oddity.NONE, n_healthy=3, protocol=protocol)
        channels.number(f"can{number}")
        n += len(session.run.machine.controllers)
        true_ends_ns += [silence.last_ns for silence in session.run.truth.silences]
        block = FrameBlock.concat(session.run.blocks)
        true_ends_ns.append(int(block.t_ns[-1]))
        blocks.append(
            FrameBlock(
                t_ns=block.t_ns,
                channel=np.full(len(block), number, np.uint8),
                id=block.id,
                flags=block.flags,
                length=block.length,
                data=block.data,
            )
        )
    whole = FrameBlock.concat(blocks)
    whole = whole.take(np.argsort(whole.t_ns, kind="stable").astype(np.int64))
    write_capture(folder / "mixed.log", [whole], channels)
    return folder / "mixed.log", n, true_ends_ns


def test_a_post_mortem_with_a_baseline_of_mixed_protocols_has_no_false_dropout(tmp_path: Path) -> None:
    capture, n, true_ends_ns = mixed_machine(tmp_path)
    found = baseline([capture], name="Straddle carrier")
    assert len(found.learnt.controllers) >= 15 <= n
    machine = tmp_path / "machine.toml"
    machine.write_text(found.text, encoding="utf-8", newline="\n")
    result = postmortem([capture], machine_file=machine)
    losses = [
        loss
        for incident in result.incidents
        if incident.kind in (IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE)
        for loss in incident.losses
    ]
    assert len(losses) >= 3 * n, "each was switched off four times, or at the end of its channel"
    false = [loss for loss in losses if min(abs(loss.last_seen_ns - end) for end in true_ends_ns) > 2 * NS]
    assert false == []
    assert {incident.kind for incident in result.incidents} <= {IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE}


def test_a_baseline_of_mixed_protocols_accuses_nobody_in_a_recording_that_it_has_not_seen(tmp_path: Path) -> None:
    capture, _, true_ends_ns = mixed_machine(tmp_path)
    opened = open_capture([capture])
    whole = FrameBlock.concat(list(opened.blocks()))
    cut = int(np.searchsorted(whole.t_ns, int(whole.t_ns[0]) + 95 * NS))  # the last power cycle is still to come
    write_capture(tmp_path / "before.log", [whole.slice(0, cut)], opened.channels)
    write_capture(tmp_path / "after.log", [whole.slice(cut, len(whole))], opened.channels)
    found = baseline([tmp_path / "before.log"], name="Straddle carrier")
    assert len(found.learnt.controllers) >= 15
    machine = tmp_path / "machine.toml"
    machine.write_text(found.text, encoding="utf-8", newline="\n")
    result = postmortem([tmp_path / "after.log"], machine_file=machine)
    losses = [loss for one in result.incidents for loss in one.losses]
    assert len(losses) >= len(found.learnt.controllers)
    assert [one for one in losses if min(abs(one.last_seen_ns - end) for end in true_ends_ns) > 2 * NS] == []
    assert {one.kind for one in result.incidents} <= {IncidentKind.DROPOUT, IncidentKind.BUS_SILENCE}
    assert result.trouble.never_seen == ()
    assert {one.kind for one in result.changes} <= {ChangeKind.SLOWER, ChangeKind.FASTER}


def test_the_baseline_of_a_tractor_holds_its_five_controllers_with_their_names() -> None:
    """A recorded tractor start (see tests/data/real/NOTICE): every controller claims its address."""
    found = baseline([REAL / "tractor-key-on-crank-key-off.log.gz"], name="Tractor")
    machine = machine_from_text(found.text, "learnt")
    assert {one.spec.identity.address for one in machine.controllers.values()} == {0x00, 0x03, 0x06, 0x17, 0x47}
    assert all(one.spec.identity.can_name is not None for one in machine.controllers.values())
    block = FrameBlock.concat(list(open_capture([REAL / "tractor-key-on-crank-key-off.log.gz"]).blocks()))
    checked = 0
    for one in machine.controllers.values():
        for stream in one.spec.expects:
            intervals_ns = np.diff(block.t_ns[block.id == stream.id])
            if len(intervals_ns) >= 50 and stream.period_ns is not None:
                assert abs(float(np.median(intervals_ns)) - stream.period_ns) <= 0.1 * stream.period_ns, hex(stream.id)
                checked += 1
    assert checked >= 10
