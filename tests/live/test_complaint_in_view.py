"""The complaint as a screen gets it, of a recording that is played back faster than it is weighed."""

from collections.abc import Callable
from itertools import count
from pathlib import Path

from busdoc.actions.journal import load_journal
from busdoc.capture.playback import Playback
from busdoc.live.session import LiveSession
from busdoc.machine.machine_map import load_machine
from busdoc.times import MILLISECOND_NS, SECOND_NS

ROOT = Path(__file__).parents[2]
STORY = ROOT / "captures" / "sweeper_code"
TICK_S = 0.05


def going(step: float) -> Callable[[], float]:
    """Give a clock that goes on by itself with each look."""
    ticks = count()
    return lambda: step * next(ticks)


def test_a_controller_that_speaks_can_be_asked_however_fast_it_is_played() -> None:
    machine = load_machine(ROOT / "captures" / "street_sweeper" / "machine.toml")
    ns = going(TICK_S * 1000 * MILLISECOND_NS)
    source = Playback([STORY / "capture.log.gz"], 10.0, clock_ns=lambda: round(ns()))
    session = LiveSession(source, machine, clock_s=going(TICK_S))
    session.start()
    session.play(load_journal(STORY / "actions.csv", machine, start_ns=source.now_ns(), epoch=source.epoch).actions)
    seen = []
    while not source.finished:
        session.step()
        view = session.view()
        since_s = (view.now_ns - view.start_ns) / SECOND_NS
        texts = [row.text for row in view.symptoms]
        assert texts[:2] == ["what stands out", "dropouts"]
        if view.complaint is not None and 192.0 < since_s < 222.0:  # all are back from the last power cycle
            seen.append(view.complaint.seen)
    told = [one.text for one in session.happenings(0) if "3509" in one.text]
    assert told == ["SPN 3509 FMI 4 of hopper shows"] * 3  # each time once, and not as a code beside
    assert texts[2] == "SPN 3509 FMI 4 of hopper"
    session.isolate("dropout")
    session.step()
    assert session.view().complaint is None
    assert session.view().actions[-1].note == "complaint: dropout"
    session.close()
    assert session.result().complaint is None
    assert len(seen) > 20
    assert all(seen)
