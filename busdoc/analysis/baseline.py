"""Baseline of a healthy recording: capture in, machine map out.

This joins the folders for `busdoc baseline`; learning is `busdoc.resync_check.baseline`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from busdoc.analysis.reading import DatabaseFile
from busdoc.analysis.resync import Resync, resync
from busdoc.errors import InputError, found_instead
from busdoc.machine.machine_map import machine_from_text
from busdoc.resync_check.baseline import Baseline, learn_baseline
from busdoc.resync_check.baseline_text import MergedMap, map_text, merge_into

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
    progress: Callable[[int], None] | None = None,
) -> LearntMap:
    """Learn what healthy looks like from a recording.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording
    machine_file : a map that is kept and added to; None: a new one is made
    databases : message databases, which give controllers their names
    journal_file : what was done, CSV; it tells when power was switched on
    name : of the machine, for a new map
    progress : called with the number of frames of each block

    Raises
    ------
    InputError : a file that cannot be used
    """
    seen = resync(
        captures, databases=databases, machine_file=machine_file, journal_file=journal_file, progress=progress
    )
    if not any(one.frames for one in seen.health.controllers):
        where = str(captures[0]) if len(captures) == 1 else f"the {len(captures)} captures"
        raise InputError(
            where, "traffic of a healthy machine", "no controller", "Record a few minutes with all running."
        )
    learnt = learn_baseline(seen.health, seen.power_ups)
    if machine_file is None:
        text = map_text(learnt, name=name)
        merged = MergedMap(text=text, added=(), kept=())
    else:
        numbers: dict[int | str, int] = {channel: number for number, channel in seen.case.facts.channel_names}
        merged = merge_into(_read(machine_file), learnt, numbers)
    machine_from_text(merged.text, "the map that was learnt")  # what we write must be what we read
    return LearntMap(text=merged.text, added=merged.added, kept=merged.kept, learnt=learnt, seen=seen)


def _read(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(str(path), "a machine map", found_instead(error), "Check the name and its rights.") from error
    except UnicodeDecodeError as error:
        raise InputError(str(path), "a machine map", "a file that is no UTF-8 text", "Save it as UTF-8.") from error
