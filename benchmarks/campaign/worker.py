"""Runs damaged inputs through `main`, in a process with bounds, and says of each how it ended."""

import contextlib
import functools
import io
import os
import random
import shutil
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import busdoc.cli.main as program
import busdoc.simulation.scenario.file as scenario_file
from benchmarks.campaign import forked
from benchmarks.campaign.kinds import KINDS
from benchmarks.campaign.structure import fast_folder, spoil
from busdoc.cli.environment import Surroundings
from busdoc.files.user_cache import user_cache

__all__ = ["MOST_CPU_S", "MOST_MEMORY_BYTES", "run_block"]

MOST_MEMORY_BYTES = 1 << 30
MOST_CPU_S = 20.0
_LONGEST_S = 600.0
_MOST_FRAMES = 2_000_000
"""Of a scenario here: traffic that was asked for takes its time, and twenty million frames more than is allowed."""
_OUTPUTS = ("tables", "out")


class _TooLongError(BaseException):
    """Not an `Exception`: what guards a parse must not take it for damage."""


def _too_long(*_: object) -> None:
    raise _TooLongError


@contextlib.contextmanager
def _bounded_time() -> Iterator[None]:
    """Raise after so much processor time, or where nothing ends for minutes; Windows has no such clocks."""
    if not hasattr(signal, "setitimer"):
        yield
        return
    signal.signal(signal.SIGPROF, _too_long)
    signal.signal(signal.SIGALRM, _too_long)
    signal.setitimer(signal.ITIMER_PROF, MOST_CPU_S)
    signal.setitimer(signal.ITIMER_REAL, _LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def _memory_bytes() -> int:
    if sys.platform == "win32":
        return 0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


@functools.cache
def _healthy(kind: str) -> Mapping[str, bytes]:
    return KINDS[kind].files()


def _make_fast() -> None:
    """Have each process do once what a program does once: its parser, its translations, the library of `.mf4`."""
    scenario_file._MOST_FRAMES = _MOST_FRAMES
    os.environ.setdefault("NUMBA_CACHE_DIR", str(user_cache("kernels") or ""))
    os.environ["BUSDOC_CACHE"] = ""  # a parsed database would be kept for each input
    os.environ["LANGUAGE"] = "C"  # argparse looks for a translation of each of its words
    program.build_parser = functools.cache(program.build_parser)
    forked.in_place_of_programs()


def run_block(kind: str, seeds: range) -> tuple[Counter[str], list[str]]:
    """Damage and run; give how the inputs ended, and what went wrong, a line each."""
    if not hasattr(program.build_parser, "cache_info"):
        _make_fast()
    of_kind, healthy = KINDS[kind], _healthy(kind)
    ended: Counter[str] = Counter()
    wrong: list[str] = []
    with TemporaryDirectory(prefix="campaign-", dir=fast_folder()) as place:
        folder = Path(place) / "i"
        _lay_out(folder, healthy)
        for seed in seeds:
            source = random.Random(f"{kind} {seed}")
            name = source.choice(of_kind.spoilt)
            (folder / name).write_bytes(spoil(name, healthy[name], source))
            how, detail = _run([word.format(folder) for word in of_kind.words])
            if how == "refused" and any((folder / output).exists() for output in _OUTPUTS):
                how = "partial output"
            if _memory_bytes() > MOST_MEMORY_BYTES:
                how = "memory"
            ended[how] += 1
            if how not in ("used", "refused"):
                wrong.append(f"{kind} {seed}: {how}: {detail}".replace(str(folder), ""))
            for output in _OUTPUTS:
                shutil.rmtree(folder / output, ignore_errors=True)
            if _others(folder, healthy):  # locks, journals of a database
                shutil.rmtree(folder)
                _lay_out(folder, healthy)
            else:
                (folder / name).write_bytes(healthy[name])
            if how == "memory":  # a peak does not go away; the next process goes on from here
                rest = range(seed + 1, seeds.stop)
                return ended + Counter({"left out": len(rest)}), wrong
    return ended, wrong


def _lay_out(folder: Path, files: Mapping[str, bytes]) -> None:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def _others(folder: Path, files: Mapping[str, bytes]) -> bool:
    """Whether anything but the healthy files lies there, or one of them is gone or has another size."""
    there = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if not path.is_dir()}
    return there.keys() != files.keys()


def _run(words: list[str]) -> tuple[str, str]:
    """Run the program; give how it ended: used where there is a result, whatever it says of the machine."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with _bounded_time(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = program.main(words, Surroundings(stdout=out, stderr=err, environ={"COLUMNS": "100"}))
    except _TooLongError:
        return "over time", ""
    except SystemExit as error:
        return "exit", str(error.code)
    except BaseException as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return "traceback", f"{type(error).__name__}: {str(error)[:100]} at {Path(place.filename).name}:{place.lineno}"
    if "\x1b" in out.getvalue() + err.getvalue():
        return "escape", ""
    said = err.getvalue()
    if status == 2 and "busdoc: " in said:
        return "refused", said[:200]
    if status not in (0, 1, 2) or not out.getvalue() + said:
        return "exit", str(status)
    return "used", said[:200]
