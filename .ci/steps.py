"""What a change must pass, step by step, the same on every operating system.

    python .ci/steps.py              all of it, in the order below
    python .ci/steps.py lint types   these alone

The project's environment is `.venv`, which the step `install` makes; without one, the Python that runs this is used.
"""

import os
import subprocess
import sys
import venv
from collections.abc import Mapping, Sequence
from pathlib import Path

__all__ = ["STEPS", "main"]

ROOT = Path(__file__).resolve().parents[1]
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")

STEPS: Mapping[str, Sequence[Sequence[str]]] = {
    "install": (("pip", "install", "--quiet", "--upgrade", "pip"), ("pip", "install", "--quiet", "-e", ".[dev]")),
    "lint": (("ruff", "check", "."),),
    "format": (("ruff", "format", "--check", "."),),
    "types": (("mypy",),),
    "tests": (("pytest", "-n", "auto"),),
}
"""Modules with their arguments, as Python's ``-m`` takes them."""
JUDGED: Mapping[str, str] = {**os.environ, "CI": os.environ.get("CI", "true")}
"""A change is judged by the same drawn examples each time, here as on a hosted machine; see tests/conftest.py."""


def main(names: Sequence[str]) -> int:
    """Run steps; end at the first that fails, with its exit status.

    Parameters
    ----------
    names : of steps; none: all of them
    """
    unknown = [name for name in names if name not in STEPS]
    if unknown:
        print(f"No step is called {unknown[0]}; there are: {', '.join(STEPS)}.", file=sys.stderr)
        return 2
    for name in names or STEPS:
        print(f"== {name}", flush=True)
        if name == "install" and not PYTHON.exists():
            venv.create(ENVIRONMENT, with_pip=True)
        python = str(PYTHON) if PYTHON.exists() else sys.executable
        for words in STEPS[name]:
            status = subprocess.run([python, "-m", *words], cwd=ROOT, env=JUDGED, check=False).returncode
            if status:
                return status
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
