"""What a worker does with one capture: fetch it, judge it as `busdoc postmortem` would, and send back what is kept."""

import io
import traceback
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Any

from busdoc.errors import BusdocError, found_instead
from busdoc.kernels.cores import keep_to_one_core
from busdoc.many.intake.addresses import brought_here, content_hash, is_remote
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Judged, Outcome, Reports, Task, packed

__all__ = ["judge", "judge_on_one_core"]


def judge_on_one_core(task: Task) -> Judged:
    """Judge one capture as one of many workers: each core has a capture of its own."""
    keep_to_one_core()
    return judge(task)


def judge(task: Task) -> Judged:
    """Judge one capture; whatever is wrong with it is said in what is given back, and nothing is raised."""
    from busdoc.times import times_of_day_in

    capture, content, n_bytes = task.capture, None, 0
    address_of: dict[str, str] = {}
    try:
        with brought_here(capture.files) as files, times_of_day_in(task.zone):
            address_of |= dict(zip(map(str, files), capture.files, strict=True))
            content, n_bytes = content_hash(files), sum(_bytes_at(file) for file in files)
            with brought_here(_beside(capture)) as beside:
                address_of |= dict(zip(map(str, beside), _beside(capture), strict=True))
                return replace(_judged(task, files, beside), content=content, n_bytes=n_bytes)
    except BusdocError as error:
        outcome, sentence = Outcome.COULD_NOT, str(error)
    except OSError as error:
        outcome, sentence = Outcome.COULD_NOT, f"{capture.address}: it cannot be read, {found_instead(error)}."
    except MemoryError:
        outcome, sentence = Outcome.FAILED, f"{capture.address}: the memory of one worker did not suffice for it."
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(where.filename).name}, line {where.lineno}"
        outcome = Outcome.FAILED
        sentence = f"{capture.address}: busdoc itself failed on it ({type(error).__name__}: {error}; {place})."
    for path, address in address_of.items():
        sentence = sentence.replace(path, address)  # the folder that it was brought to is gone
    return Judged(number=task.number, outcome=outcome, content=content, n_bytes=n_bytes, sentence=sentence)


def _beside(capture: FleetCapture) -> list[str]:
    """Give the addresses of what the capture is judged with."""
    found = [capture.machine_file, capture.journal, *(file for _, file in capture.databases)]
    return [one for one in found if one is not None]


def _judged(task: Task, files: Sequence[Path], beside: list[Path]) -> Judged:
    from busdoc.analysis.postmortem import postmortem
    from busdoc.many.work.body import body_of
    from busdoc.report.json.document import document, print_document

    capture, left = task.capture, list(beside)
    machine_file = left.pop(0) if capture.machine_file is not None else None
    journal_file = left.pop(0) if capture.journal is not None else None
    result = postmortem(
        files,
        databases=[
            file if channel is None else (channel, file)
            for (channel, _), file in zip(capture.databases, left, strict=True)
        ],
        machine_file=machine_file,
        journal_file=journal_file,
    )
    report = ""
    if task.reports is Reports.ALL or (task.reports is Reports.TROUBLE and result.trouble):
        report = _report(result, capture)
    if any(map(is_remote, capture.files)):  # the folder it was brought to is gone when somebody reads this
        names = tuple(Path(PurePosixPath(address).name) for address in capture.files)
        result = replace(result, capture=replace(result.capture, files=names))
    text = io.StringIO()
    print_document(document(result), text)
    return Judged(
        number=task.number,
        outcome=Outcome.JUDGED,
        body=packed(body_of(result)),
        document=text.getvalue(),
        report=report,
    )


def _report(result: Any, capture: FleetCapture) -> str:
    """Write the capture's own record, with the command that makes it again."""
    import shlex

    from busdoc.report.record.html import html

    words = ["busdoc", "postmortem", *capture.files]
    words += ["--machine", capture.machine_file] if capture.machine_file is not None else []
    for channel, file in capture.databases:
        words += ["--db", file if channel is None else f"{channel}={file}"]
    words += ["--actions", capture.journal] if capture.journal is not None else []
    fields = {"machine": capture.machine}
    if capture.hours is not None:
        fields["hours"] = f"{capture.hours:g}"
    return html(result, command=shlex.join(words), fields=fields)


def _bytes_at(path: Path) -> int:
    if path.is_dir():
        return sum(one.stat().st_size for one in path.rglob("*") if one.is_file())
    return path.stat().st_size
