"""A baseline of one recording of a healthy machine, or several, and of what a map keeps of earlier ones.

Whatever the order of the recordings, and in however many calls they come, what is expected of each controller is the
same.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from busdoc.health.summary import Health
from busdoc.resync_check.baseline import Baseline, learn_baseline, together, unsteady_streams, without_unsteady
from busdoc.resync_check.baseline_text import expected_by_hand
from busdoc.resync_check.records import PowerUpReturn
from busdoc.resync_check.returns_so_far import RECORDINGS, UNSTEADY, recording_mark, with_earlier, with_periods

__all__ = ["Recording", "learn_from"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """What one recording of the healthy machine showed."""

    name: str
    """As it is told."""
    health: Health
    """With every rhythm learnt, whatever the map says."""
    power_ups: Sequence[PowerUpReturn] = ()


def learn_from(recordings: Sequence[Recording], given: str = "") -> Baseline:
    """Learn from recordings, and on from what a map keeps.

    Parameters
    ----------
    recordings : at least one, in any order
    given : text of the map that is kept and added to; empty for none
    """
    known = _Known.of(given)
    # a recording that the map has learnt from counts once; what it keeps of others is learnt on
    new = {mark: one for one in recordings if (mark := recording_mark(one.health)) not in known.recordings}
    health = together([one.health for one in recordings])
    learnt = learn_baseline(health, [power_up for one in new.values() for power_up in one.power_ups])
    learnt = with_periods(learnt, [one.health for one in new.values()], known.controllers)
    # what any recording shows to be none to expect is none, in whatever order and in however many calls they come
    unsteady = (unsteady_streams([one.health for one in recordings]) | known.unsteady) - expected_by_hand(given)
    learnt = without_unsteady(learnt, unsteady)
    again = [
        f"{one.name}: learnt from before, it counts once."
        for one in recordings
        if recording_mark(one.health) in known.recordings
    ]
    return replace(
        learnt,
        left_out=(*again, *learnt.left_out),
        controllers=with_earlier(learnt, known.controllers, unsteady),
        recordings=(*known.recordings, *new),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What a map keeps of earlier calls."""

    recordings: tuple[str, ...]
    unsteady: frozenset[str]
    controllers: tuple[Mapping[str, Any], ...]

    @classmethod
    def of(cls, text: str) -> "_Known":
        document = tomllib.loads(text.removeprefix("\ufeff"))
        machine = document.get("machine", {})
        marks, unsteady = machine.get(RECORDINGS, []), frozenset(machine.get(UNSTEADY, []))
        return cls(recordings=tuple(marks), unsteady=unsteady, controllers=tuple(document.get("controller", [])))
