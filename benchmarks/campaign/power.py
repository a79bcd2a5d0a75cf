"""Cut the power under sessions: every write and synchronisation is recorded, and replayed up to any instant.

    python -m benchmarks.campaign.power [LOSSES] [SEED]

`strace` records what a session does to its folder. For each instant the disk is then made as it may stand after the
power went: what was synchronised is there; of what was not, each file lost all, kept a beginning that may end in the
middle of a write, or kept some writes and has zeros for others. Names are kept in the order in which they were made, up
to the last synchronisation at least (as ext4, xfs and other journalling file systems keep them). What is left is opened
as a session and judged. Linux, with strace installed.
"""

import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.campaign.session_run import Told, lost

LOSSES = 300
_RUN_S = 3.0
_CALLS = "openat,write,pwrite64,fsync,fdatasync,ftruncate,rename,renameat,renameat2,unlink,unlinkat"
_LINE = re.compile(r"(?P<pid>\d+) +(?P<time>\d+\.\d+) (?P<text>.*)", re.DOTALL)
_FD = re.compile(r"(?P<fd>-?\w+)<(?P<path>(?:\\x[0-9a-f]{2})*)>")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_SECTOR = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that was done, in the order in which it was done."""

    time_ns: int
    what: str
    """write, cut, sync, name, rename, unlink or told."""
    path: str = ""
    to: str = ""
    at: int = 0
    content: bytes = b""
    since: int = 0
    """Of a synchronisation: it covers the events before this one."""


@dataclass(slots=True)
class _File:
    """What was done to the content of a file."""

    base: bytes = b""
    done: list[tuple[int, Event]] = field(default_factory=list)
    synced: int = 0
    """Events before this one are on the disk."""


def recorded(folder: Path, seed: int) -> list[Event]:
    """Run a session in a folder, and give what it did there."""
    trace = folder.with_name(f"{folder.name}.trace")
    words = ["strace", "-f", "-y", "-xx", "-ttt", "-s", str(1 << 24), "-e", f"trace={_CALLS}", "-o", str(trace)]
    program = [sys.executable, "-m", "benchmarks.campaign.session_run", str(folder), str(_RUN_S), str(seed)]
    subprocess.run([*words, *program], check=True, stdout=subprocess.PIPE)
    return list(_events(_calls(trace), folder))


def _calls(trace: Path) -> Iterator[tuple[int, str, bool]]:
    """Yield time, text, and whether a call ended: one that was interrupted by others begins and ends apart."""
    begun: dict[str, str] = {}
    for line in trace.read_text(encoding="ascii").splitlines():
        match = _LINE.fullmatch(line)
        if match is None:
            continue
        text, time_ns = match["text"], round(float(match["time"]) * 1e9)
        if text.endswith("<unfinished ...>"):
            begun[match["pid"]] = text.removesuffix("<unfinished ...>")
            yield time_ns, begun[match["pid"]], False
        elif text.startswith("<... "):
            yield time_ns, begun.pop(match["pid"], "") + text.partition(" resumed>")[2], True
        else:
            yield time_ns, text, False
            yield time_ns, text, True


def _events(calls: Iterator[tuple[int, str, bool]], folder: Path) -> Iterator[Event]:
    """Turn calls into events: a write counts from its beginning, everything else from its end."""
    inside = f"{folder}/"
    position: dict[str, int] = {}
    appends: set[str] = set()
    began: dict[str, int] = {}
    n = 0
    for time_ns, text, ended in calls:
        name, _, rest = text.partition("(")
        fd = _FD.match(rest)
        path = _plain(fd["path"]) if fd is not None else ""
        texts = [_plain(one) for one in _TEXT.findall(rest)]
        event = None
        if name in ("fsync", "fdatasync") and path.startswith(str(folder)):
            if ended:
                event = Event(time_ns=time_ns, what="sync", path=path, since=began.get(path, n))
            else:
                began[path] = n
        elif name == "write" and rest.startswith("1<") and not ended:
            event = Event(time_ns=time_ns, what="told", content=bytes.fromhex(_hex(rest)))
        elif name in ("write", "pwrite64") and path.startswith(inside) and not ended:
            content = bytes.fromhex(_hex(rest))
            at = _offset(rest) if name == "pwrite64" else -1 if path in appends else position.get(path, 0)
            position[path] = position.get(path, 0) + len(content) * (name == "write")
            event = Event(time_ns=time_ns, what="write", path=path, at=at, content=content)
        elif ended and " = -1 " in rest:
            continue
        elif name == "ftruncate" and ended and path.startswith(inside):
            event = Event(time_ns=time_ns, what="cut", path=path, at=int(rest.partition(", ")[2].partition(")")[0]))
        elif name == "openat" and ended and texts:
            given = next((one for one in texts if one.startswith(inside)), "")
            if given and "O_CREAT" in rest:
                position[given] = 0
                (appends.add if "O_APPEND" in rest else appends.discard)(given)
                yield Event(time_ns=time_ns, what="name", path=given)
                n += 1
                if "O_TRUNC" in rest:
                    event = Event(time_ns=time_ns, what="cut", path=given, at=0)
        elif name.startswith("rename") and ended and len(texts) > 1 and texts[0].startswith(inside):
            position[texts[1]] = position.pop(texts[0], 0)
            event = Event(time_ns=time_ns, what="rename", path=texts[0], to=texts[1])
        elif name.startswith("unlink") and ended and texts and texts[0].startswith(inside):
            event = Event(time_ns=time_ns, what="unlink", path=texts[0])
        if event is not None and not event.path.endswith("-shm"):
            yield event
            n += 1


def _plain(text: str) -> str:
    return bytes.fromhex(text.replace("\\x", "")).decode("utf-8", "replace")


def _hex(rest: str) -> str:
    found = _TEXT.search(rest)
    return "" if found is None else found[1].replace("\\x", "")


def _offset(rest: str) -> int:
    _, offset, *_ = re.findall(r"\d+", rest.rpartition('", ')[2])
    return int(offset)


def after_power_loss(base: dict[str, bytes], events: Sequence[Event], source: random.Random) -> dict[str, bytes]:
    """Give the files as they may stand where the power went after these events.

    Parameters
    ----------
    base : what was there before the first of them
    """
    files = {path: _File(base=content) for path, content in base.items()}
    before = dict(files)
    names: list[tuple[int, str, str, _File | None]] = []  # when, what, path, and which file or nothing
    named_for_sure = 0
    for n, event in enumerate(events):
        file = files.get(event.path)
        match event.what:
            case "name" if file is None:
                files[event.path] = _File()
                names.append((n, "name", event.path, files[event.path]))
            case "write" | "cut" if file is not None:
                file.done.append((n, event))
            case "rename" if file is not None:
                files[event.to] = files.pop(event.path)
                names += [(n, "unlink", event.path, None), (n, "name", event.to, file)]
            case "unlink" if file is not None:
                del files[event.path]
                names.append((n, "unlink", event.path, None))
            case "sync":
                named_for_sure = max(named_for_sure, event.since)
                if file is not None:
                    file.synced = max(file.synced, event.since)
    # Names beyond the last synchronisation are there up to some instant.
    until = source.choice((named_for_sure, len(events), source.randint(named_for_sure, len(events))))
    there = dict(before)
    for n, what, path, file in names:
        if n < until and what == "unlink":
            there.pop(path, None)
        elif n < until and file is not None:
            there[path] = file
    return {path: _content(file, source) for path, file in there.items()}


def _content(file: _File, source: random.Random) -> bytes:
    """Give what is left of a file."""
    content = bytearray(file.base)
    for _, event in (one for one in file.done if one[0] < file.synced):
        _do(content, event)
    unsure = [event for n, event in file.done if n >= file.synced]
    how = source.randrange(4)
    n_kept = source.randint(0, len(unsure)) if how != 0 else 0
    for event in unsure[:n_kept]:
        if how == 3 and event.what == "write" and source.random() < 0.5:  # its place is there, its bytes are not
            _do(content, Event(time_ns=0, what="write", at=event.at, content=bytes(len(event.content))))
        else:
            _do(content, event)
    if n_kept < len(unsure) and how == 2 and unsure[n_kept].what == "write":
        torn = unsure[n_kept]
        _do(content, Event(time_ns=0, what="write", at=torn.at, content=_torn(torn.content, source)))
    return bytes(content)


def _torn(content: bytes, source: random.Random) -> bytes:
    end = source.randint(0, len(content))
    return content[: end - end % _SECTOR if source.random() < 0.5 else end]


def _do(content: bytearray, event: Event) -> None:
    if event.what == "cut":
        content[event.at :] = bytes(max(0, event.at - len(content)))
        return
    at = len(content) if event.at < 0 else event.at
    content.extend(bytes(max(0, at - len(content))))
    content[at : at + len(event.content)] = event.content


def main() -> int:
    """Run it, and print the table."""
    losses = int(sys.argv[1]) if len(sys.argv) > 1 else LOSSES
    source = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    n_runs = max(2, losses // 50 // 2 * 2)
    n_done = n_wrong = n_presses = 0
    oldest_s, began_s = 0.0, time.monotonic()
    with tempfile.TemporaryDirectory(prefix="campaign-power-") as place:
        told = Told()
        for run in range(n_runs):
            folder = Path(place) / f"s{run // 2}"  # each is gone on with once
            told = told if run % 2 else Told()
            base = {path.as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
            events = recorded(folder, source.randrange(1 << 30))
            n_losses = losses // n_runs + (run < losses % n_runs)
            for _ in range(n_losses):
                upto = source.randint(1, len(events))
                told_then = Told(pressed=list(told.pressed))
                told_then.hear(b"".join(one.content for one in events[:upto] if one.what == "told").decode("ascii"))
                left = after_power_loss(base, events[:upto], source)
                wrong, age_s = _judge(folder, left, told_then, events[upto - 1].time_ns, Path(place) / "left")
                n_done, n_wrong, oldest_s = n_done + 1, n_wrong + bool(wrong), max(oldest_s, age_s)
                n_presses += len(told_then.pressed)
                for text in wrong:
                    print(f"run {run + 1}, after event {upto} of {len(events)}: {text}", flush=True)
            told.hear(b"".join(one.content for one in events if one.what == "told").decode("ascii"))
    print(
        f"{n_done} power losses in {n_runs} runs, {n_presses} presses answered before them: {n_wrong} lost something; "
        f"oldest frame lost {oldest_s:.2f} s; {(time.monotonic() - began_s) / 60:.0f} min"
    )
    return 1 if n_wrong else 0


def _judge(folder: Path, left: dict[str, bytes], told: Told, until_ns: int, place: Path) -> tuple[list[str], float]:
    shutil.rmtree(place, ignore_errors=True)
    for name, content in left.items():
        path = place / Path(name).relative_to(folder)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    if told.closing_ns:
        until_ns = min(until_ns, told.closing_ns)
    return lost(place, told, until_ns, judges=True, may_say=True)


if __name__ == "__main__":
    sys.exit(main())
