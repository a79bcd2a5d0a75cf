"""Runs damaged inputs through `main`, in a process with bounds, and says of each how it ended."""

import contextlib
import io
import os
import random
import shutil
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.campaign.kinds import KINDS
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from tests.truth.damage import damaged

__all__ = ["MOST_CPU_S", "MOST_MEMORY_BYTES", "run_block"]

MOST_MEMORY_BYTES = 1 << 30
MOST_CPU_S = 20.0
_OUTPUTS = ("tables", "out")


class _TooLongError(BaseException):
    """Not an `Exception`: what guards a parse must not take it for damage."""


def _too_long(*_: object) -> None:
    raise _TooLongError


@contextlib.contextmanager
def _bounded_time() -> Iterator[None]:
    """Raise after so much processor time; Windows has no such clock."""
    if not hasattr(signal, "setitimer"):
        yield
        return
    signal.signal(signal.SIGPROF, _too_long)
    signal.setitimer(signal.ITIMER_PROF, MOST_CPU_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


def _memory_bytes() -> int:
    if sys.platform == "win32":
        return 0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def run_block(kind: str, seeds: range) -> tuple[Counter[str], list[str]]:
    """Damage and run; give how the inputs ended, and what went wrong, a line each."""
    os.environ["BUSDOC_CACHE"] = ""  # a parsed database would be kept for each input
    of_kind = KINDS[kind]
    healthy = of_kind.files()
    ended: Counter[str] = Counter()
    wrong: list[str] = []
    with TemporaryDirectory(prefix="campaign-") as place:
        for seed in seeds:
            source = random.Random(f"{kind} {seed}")
            folder = Path(place) / "i"
            for name, content in healthy.items():
                path = folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
            spoilt = folder / source.choice(of_kind.spoilt)
            spoilt.write_bytes(damaged(spoilt.read_bytes(), source))
            how, detail = _run([word.format(folder) for word in of_kind.words])
            if how == "refused" and any((folder / name).exists() for name in _OUTPUTS):
                how, detail = "partial output", detail
            if how not in ("used", "refused") and _memory_bytes() > MOST_MEMORY_BYTES:
                how = "memory"
            ended[how] += 1
            if how not in ("used", "refused"):
                wrong.append(f"{kind} {seed}: {how}: {detail}")
            shutil.rmtree(folder, ignore_errors=True)
    if _memory_bytes() > MOST_MEMORY_BYTES:
        wrong.append(f"{kind} {seeds.start}-{seeds.stop}: memory {_memory_bytes() >> 20} MB")
        ended["memory"] += 1
    return ended, wrong


def _run(words: list[str]) -> tuple[str, str]:
    out, err = io.StringIO(), io.StringIO()
    try:
        with _bounded_time(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main(words, Surroundings(stdout=out, stderr=err, environ={"COLUMNS": "100"}))
    except _TooLongError:
        return "over time", ""
    except SystemExit as error:
        return ("refused" if error.code == 2 else "exit"), str(error.code)
    except BaseException as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return "traceback", f"{type(error).__name__}: {str(error)[:100]} at {Path(place.filename).name}:{place.lineno}"
    if "\x1b" in out.getvalue() + err.getvalue():
        return "escape", ""
    return ("refused" if status == 2 else "used"), err.getvalue()[:120]
