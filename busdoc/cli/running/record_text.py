"""What the command `record` writes of a recording: its line of status, and what it says at the end."""

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from busdoc.words.counting import counted, times

if TYPE_CHECKING:
    from busdoc.capture.listening import BusState
    from busdoc.capture.place import RecordingPlace
    from busdoc.capture.recorder.recorder import RecorderState
    from busdoc.capture.recorder.recording import RecordingSummary

__all__ = ["status_parts", "status_text", "summary_text"]


def status_text(state: "RecorderState", buses: "Sequence[BusState]", elapsed_s: float) -> str:
    """Put the status of a recording into one line.

    Parameters
    ----------
    elapsed_s : since it was begun
    """
    return " | ".join(status_parts(state, buses, elapsed_s))


def status_parts(state: "RecorderState", buses: "Sequence[BusState]", elapsed_s: float) -> list[str]:
    """Say how a recording stands, piece by piece: for how long, what is heard, how much is kept, what is wrong.

    Parameters
    ----------
    elapsed_s : since it was begun
    """
    heard = ", ".join(f"{bus.name} {bus.hearing}" for bus in buses)
    parts = [_clock_text(elapsed_s), heard, counted(state.frames, "frame"), _files_text(state)]
    if state.gaps:
        parts.append(counted(state.gaps, "gap"))
    if state.trouble:
        parts.append(state.trouble)
    return parts


def _files_text(state: "RecorderState") -> str:
    return f"{state.n_bytes / 1e6:,.1f} MB in {counted(state.pieces, 'file')}"


def _clock_text(seconds: float) -> str:
    """Write a duration as hours, minutes and seconds.

    >>> _clock_text(3725.9), _clock_text(360_000)
    ('1:02:05', '100:00:00')
    """
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def summary_text(summary: "RecordingSummary", n_marks: int, place: "RecordingPlace") -> str:
    """Say at the end what was recorded, what was not heard, and how it is looked at.

    Parameters
    ----------
    n_marks : made by a key or on the page
    """
    state = summary.recorder
    lasted = _clock_text(summary.duration_s)
    lines = [f"Recorded {counted(state.frames, 'frame')} in {lasted} to {state.path}: {_files_text(state)}."]
    if not state.frames:
        lines = [f"Not one frame was heard in {lasted}. docs/adapters.md says what to look at."]
    if summary.gaps:
        gaps = counted(summary.gaps, "gap")
        lines.append(f"{gaps} in our own hearing, {summary.gap_s:.1f} s in all: nobody is accused of what lies there.")
    if summary.overruns:
        lines.append(f"The laptop or an adapter did not keep up, {times(summary.overruns)}.")
    lines += [
        f"At the end {bus.name} did not answer: {bus.note.partition('; it is tried')[0]}." for bus in summary.away
    ]
    if state.left_out:
        frames = counted(state.left_out, "frame was", "frames were")
        lines.append(f"{frames} left out: {state.trouble or 'the disk had no room'}.")
    elif state.trouble:
        lines.append(f"At the end: {state.trouble}.")
    command = ["busdoc", "postmortem", str(state.path)]
    if place.marks_file.exists():
        lines.append(f"Marks are in {place.marks_file}" + (f", {n_marks} of them made here." if n_marks else "."))
        command += ["--actions", str(place.marks_file)]
    if state.frames:
        lines.append(f"Look at it:  {shlex.join(command)}")
    return "\n".join(lines) + "\n"
