"""What the traffic alone shows of the power, taken by a key: it accuses no supply."""

from busdoc.actions.action import ActionKind
from busdoc.live.session import LiveSession
from tests.screen.live_sweeper import LiveSweeper
from tests.screen.piloted import HandClock


def test_a_return_of_the_power_taken_alone_accuses_no_supply() -> None:
    sweeper, clock = LiveSweeper([], seed=1), HandClock()
    session = LiveSession(sweeper, sweeper.machine, clock_s=clock)
    session.start()

    def wait(seconds: float) -> None:
        for _ in range(round(seconds)):
            sweeper.wait(1.0)
            clock.now_s += 1.0
            session.step()

    wait(15.0)
    sweeper.do(ActionKind.POWER_OFF)
    wait(6.0)
    sweeper.do(ActionKind.POWER_ON)
    wait(12.0)
    off, on = session.view().proposals
    assert (off.action.kind, on.action.kind) == (ActionKind.POWER_OFF, ActionKind.POWER_ON)
    session.refuse_proposal(off.key)
    session.take_proposal(on.key)
    wait(2.0)
    assert [action.kind for action in session.view().actions] == [ActionKind.POWER_ON]
    assert session.view().suspects == ()
