"""Baseline of a healthy recording: capture in, machine map out.

This joins the folders for `busdoc baseline`; learning is `busdoc.resync_check.baseline`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from busdoc.analysis.reading import DatabaseFile, Follow
from busdoc.analysis.resync import Resync, resync
from busdoc.capture.source import open_capture
from busdoc.errors import InputError, found_instead
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import Baseline
from busdoc.resync_check.baseline_text import MergedMap, map_text, merge_into
from busdoc.resync_check.learning import Recording, learn_from
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
    """Learn what healthy looks like from a recording, or several.

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
    given = "" if machine_file is None else _read(machine_file)
    learnt = learn_from(
        [
            Recording(name=", ".join(path.name for path in paths), health=one.health, power_ups=one.power_ups)
            for paths, one in zip(each, every, strict=True)
        ],
        given,
    )
    if machine_file is None:
        text = map_text(learnt, name=name)
        merged = MergedMap(text=text, added=(), kept=())
    else:
        numbers: dict[int | str, int] = {channel: number for number, channel in seen.case.facts.channel_names}
        merged = merge_into(given, learnt, numbers)
    machine_from_text(merged.text, "the map that was learnt")  # what we write must be what we read
    return LearntMap(text=merged.text, added=merged.added, kept=merged.kept, learnt=learnt, seen=seen)


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
