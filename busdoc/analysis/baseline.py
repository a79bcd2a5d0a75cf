"""Baseline of a healthy recording: capture in, machine map out.

This joins the folders for `busdoc baseline`; learning is `busdoc.resync_check.baseline`.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from busdoc.analysis.reading import DatabaseFile, Follow
from busdoc.analysis.resync import Resync, resync
from busdoc.capture.source import open_capture
from busdoc.errors import InputError, found_instead
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import Baseline, learn_baseline, together, unsteady_streams, without_unsteady
from busdoc.resync_check.baseline_text import MergedMap, expected_by_hand, map_text, merge_into
from busdoc.resync_check.returns_so_far import RECORDINGS, UNSTEADY, recording_mark, with_earlier
from busdoc.times import SECOND_NS

__all__ = ["LearntMap", "baseline"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LearntMap:
    """The map as it may be written, and where it comes from."""

    text: str
    added: tuple[str, ...]
    """What was added to a map that was there; empty for a new one."""
    kept: tuple[str, ...]
    """What stands there and was learnt otherwise."""
    learnt: Baseline
    seen: Resync


def baseline(
    captures: Sequence[Path],
    *,
    machine_file: Path | None = None,
    databases: Sequence[DatabaseFile] = (),
    journal_file: Path | None = None,
    name: str = "Machine",
    progress: Follow | None = None,
    apart: bool | None = None,
) -> LearntMap:
    """Learn what healthy looks like from a recording.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording
    machine_file : a map that is kept and added to; None: a new one is made
    databases : message databases, which give controllers their names
    journal_file : what was done, CSV; it tells when power was switched on
    name : of the machine, for a new map
    progress : called after each block with how far the reading is; a true answer stops it there
    apart : each capture is a recording of its own, of one machine or of several alike; None: their clocks tell

    Raises
    ------
    InputError : a file that cannot be used
    """
    are_apart = _are_recordings_apart(captures) if apart is None else apart
    each = [[one] for one in captures] if are_apart else [list(captures)]
    every = [
        resync(
            one,
            databases=databases,
            machine_file=machine_file,
            journal_file=journal_file,
            progress=progress,
            learning=True,
        )
        for one in each
    ]
    seen = max(every, key=lambda one: one.health.frames)
    if not any(one.frames for one in seen.health.controllers):
        where = str(captures[0]) if len(captures) == 1 else f"the {len(captures)} captures"
        raise InputError(
            where, "traffic of a healthy machine", "no controller", "Record a few minutes with all running."
        )
    health = together([one.health for one in every])
    # a recording that the map has learnt from counts once; what it keeps of others is learnt on
    given = "" if machine_file is None else _read(machine_file)
    known = _Known.of(given)
    new = {recording_mark(one.health): one for one in every if recording_mark(one.health) not in known.recordings}
    learnt = learn_baseline(health, [power_up for one in new.values() for power_up in one.power_ups])
    # what any recording shows to be none to expect is none, in whatever order and in however many calls they come
    unsteady = (unsteady_streams([one.health for one in every]) | known.unsteady) - expected_by_hand(given)
    learnt = without_unsteady(learnt, unsteady)
    again = [
        f"{', '.join(path.name for path in paths)}: learnt from before, its returns count once."
        for paths, one in zip(each, every, strict=True)
        if recording_mark(one.health) in known.recordings
    ]
    learnt = replace(
        learnt,
        left_out=(*again, *learnt.left_out),
        controllers=with_earlier(learnt, known.controllers, unsteady),
        recordings=(*known.recordings, *(mark for mark, one in new.items() if one.power_ups)),
    )
    if machine_file is None:
        text = map_text(learnt, name=name)
        merged = MergedMap(text=text, added=(), kept=())
    else:
        numbers: dict[int | str, int] = {channel: number for number, channel in seen.case.facts.channel_names}
        merged = merge_into(given, learnt, numbers)
    machine_from_text(merged.text, "the map that was learnt")  # what we write must be what we read
    return LearntMap(text=merged.text, added=merged.added, kept=merged.kept, learnt=learnt, seen=seen)


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


def _are_recordings_apart(captures: Sequence[Path]) -> bool:
    """Tell whether several files each begin at the zero of a clock of their own: then none goes on with another."""
    if len(captures) < 2 or any(path.is_dir() for path in captures):
        return False
    return sum(_begins_ns(path) < SECOND_NS for path in captures) > 1


def _begins_ns(path: Path) -> int:
    """Give the time of a capture's first frame; 0 where there is none."""
    return next((int(block.t_ns[0]) for block in open_capture([path]).blocks() if len(block)), 0)


def _read(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(str(path), "a machine map", found_instead(error), "Check the name and its rights.") from error
    except UnicodeDecodeError as error:
        raise InputError(str(path), "a machine map", "a file that is no UTF-8 text", "Save it as UTF-8.") from error
