"""Is a journal's wrong clock found? Simulated sessions whose journal is shifted, by seconds, minutes, an hour, a zone.

Run ``python -m benchmarks.journal_clock [first seed] [sessions] [judge]`` from the project's root; with the word
``judge`` each session is concluded too, and who is accused is held against what the right clock accuses. The rule was
settled on seeds from 3000000.

An action shows where a loss answers to it. One that shows tells of no shift by itself, since any loss may be its
answer; two of them do as a pair.
"""

import sys
from collections import Counter
from dataclasses import replace

from busdoc.actions.journal_clock import JournalClock
from busdoc.analysis.postmortem import clock_of
from busdoc.simulation.press_law import PressLaw
from busdoc.simulation.technician import Habits
from tests.truth.isolation_sessions import NS, Session, SessionKind, live_through
from tests.truth.told_sessions import conclude_session

__all__: list[str] = []

_SHIFTS_S = (0.0, 5.0, -5.0, 60.0, -60.0, 3600.0, -3600.0, 7200.0, -19800.0)
_NEAR_S = 2.5
_SEVERAL = 2
_HABITS = (
    ("heavy tail", Habits(law=PressLaw.HEAVY_TAIL)),
    ("one press in eight forgotten", Habits(miss=0.125)),
    ("one press in ten on the neighbour", Habits(wrong=0.1)),
)


def _shifted(session: Session, shift_s: float) -> Session:
    return replace(session, actions=tuple(replace(a, time_ns=a.time_ns + round(shift_s * NS)) for a in session.actions))


def _said(clock: JournalClock, shift_s: float) -> str:
    if clock.doubted:
        return "doubted"
    if abs(clock.offset_ns / NS - shift_s) < _NEAR_S:
        return "right"
    return "wrong" if clock.offset_ns else "missed"


def _clock(session: Session) -> JournalClock:
    return clock_of(session.machine, session.actions, session.health)


def _shown(session: Session) -> str:
    """Say how many actions show in the traffic."""
    n = len({answer for answer in session.answers if answer is not None})
    return "none" if not n else "one" if n < _SEVERAL else "several"


def _accused(session: Session, at_least: float) -> tuple[bool, bool]:
    """Say whether a sound part stands so high, and whether a faulty one does."""
    verdict = conclude_session(session).isolation
    high = {
        one.part
        for one in (() if verdict is None else verdict.suspects)
        if one.probability >= at_least and one.part != "elsewhere"
    }
    return bool(high - set(session.faulty)), bool(high & set(session.faulty))


def main() -> None:
    """Count, for each shift, where it was found, missed, found wrong or doubted."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 3_200_000
    n = int(sys.argv[2]) if len(sys.argv) > 2 else 160
    judged = "judge" in sys.argv
    kinds = list(SessionKind)
    sessions = [live_through(kinds[k % len(kinds)], first + k) for k in range(n)]
    print(f"actions that show: {dict(Counter(_shown(one) for one in sessions))}")
    for shift_s in _SHIFTS_S:
        shifted = [_shifted(one, shift_s) for one in sessions]
        count = Counter(f"{_said(_clock(one), shift_s)}, {_shown(one)} shown" for one in shifted)
        print(f"{shift_s:+8.0f} s: {dict(sorted(count.items()))}")
        if judged:
            wrongly, rightly = zip(*(_accused(one, 0.8) for one in shifted), strict=True)
            print(f"           a sound part at 80 % in {sum(wrongly)}, a faulty one in {sum(rightly)}")
    for name, habits in _HABITS:
        others = [live_through(kinds[k % len(kinds)], first + k, habits=habits) for k in range(n)]
        print(f"right, {name}: {dict(Counter(_said(_clock(one), 0.0) for one in others))}")


if __name__ == "__main__":
    main()
