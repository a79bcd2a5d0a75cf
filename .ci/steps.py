"""What a change must pass, step by step, the same on every operating system.

    python .ci/steps.py              all of it but `floors`, in the order below
    python .ci/steps.py lint types   these alone

The project's environment is `.venv`, which the step `install` makes; without one, the Python that runs this is used.
"""

import os
import shutil
import subprocess
import sys
import venv
from collections.abc import Mapping, Sequence
from pathlib import Path

__all__ = ["STEPS", "main"]

ROOT = Path(__file__).resolve().parents[1]
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")

_PROCESSES = (
    ("benchmarks.campaign.kills", "16"),
    ("benchmarks.campaign.clocks", "8"),
    ("benchmarks.campaign.disks", "6"),
    ("benchmarks.campaign.two_at_once", "4"),
    ("benchmarks.campaign.soak", "0.1", "1"),
)
"""Sessions as copies of a process, which Windows has not."""
STEPS: Mapping[str, Sequence[Sequence[str]]] = {
    "install": (("pip", "install", "--quiet", "--upgrade", "pip"), ("pip", "install", "--quiet", "-e", ".[dev,docs]")),
    "lint": (("ruff", "check", "."),),
    "format": (("ruff", "format", "--check", "."),),
    "types": (("mypy",),),
    "docs": (("sphinx", "-q", "-E", "-a", "-W", "--keep-going", "-c", ".ci/site", "docs", "build/site"),),
    "tests": (("pytest", "-n", "auto", "-m", "not emulated and not browser"),),
    "package": (
        ("pip", "install", "--quiet", "build", "twine"),
        ("build", "--outdir", "dist"),
        ("twine", "check", "--strict", "dist/*"),
    ),
    "floors": (
        (
            *("pip", "install", "--quiet", "--dry-run", "--ignore-installed", "--only-binary=:all:"),
            *("--constraint", "build/floors.txt", ".[all,fleet]"),
        ),
    ),
    "campaign": (
        ("benchmarks.campaign", "--inputs", "600"),
        ("benchmarks.campaign.folders", "60"),
        *(_PROCESSES if sys.platform != "win32" else ()),
    ),
    "speed": (("benchmarks.stages", "100000", ".log", ".blf"),),
    "emulated": (("pytest", "-m", "emulated", "tests/emulated"),),
    "browser": (("pytest", "-m", "browser", "tests/page"),),
}
"""Modules with their arguments, as Python's ``-m`` takes them."""
BY_NAME = ("floors",)
"""Run only where they are named: whether old versions are still to be had is the registry's doing, not a change's."""
EMULATOR = ("user-mode-linux", "can-utils", "iproute2", "kmod")
"""Debian's packages that the emulated tests need: a Linux with the real CAN stack, and the reference recorder."""
BROWSER = ("chromium", "chromium-driver")
"""Debian's packages that the tests in a real browser need."""
DRIVING = ("selenium", "axe-core-python")
"""Python's packages that they need beside: one drives the browser, the other holds the rules of accessibility."""
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
    for name in names or [one for one in STEPS if one not in BY_NAME]:
        print(f"== {name}", flush=True)
        if name == "install" and not PYTHON.exists():
            venv.create(ENVIRONMENT, with_pip=True)
        if name == "emulated":
            install_packages("emulated", EMULATOR, ("linux.uml", "candump", "ip", "depmod"))
        if name == "floors" and not write_floors():
            continue
        python = str(PYTHON) if PYTHON.exists() else sys.executable
        if name == "browser":
            install_packages("browser", BROWSER, ("chromium", "chromedriver"))
            subprocess.run([python, "-m", "pip", "install", "--quiet", *DRIVING], cwd=ROOT, check=False)
        for words in STEPS[name]:
            status = subprocess.run([python, "-m", *words], cwd=ROOT, env=JUDGED, check=False).returncode
            if status:
                return status
    return 0


def write_floors() -> bool:
    """Write the oldest versions that are allowed; whether this Python is the oldest, for which alone they are meant."""
    if sys.version_info[:2] != (3, 11):
        print("The oldest versions are put together on Python 3.11 alone: not all of them know a later one.")
        return False
    words = [sys.executable, str(ROOT / ".ci" / "floors.py")]
    written = subprocess.run(words, check=True, capture_output=True, encoding="utf-8").stdout
    (ROOT / "build").mkdir(exist_ok=True)
    (ROOT / "build" / "floors.txt").write_text(written, encoding="utf-8", newline="\n")
    return True


def install_packages(what: str, packages: Sequence[str], programs: Sequence[str]) -> None:
    """Install what some tests need, where a system has it; where it has not, they are left out, and say so.

    Parameters
    ----------
    packages : Debian's
    programs : those that they bring; nothing is done where all are there
    """
    if sys.platform != "linux" or all(map(shutil.which, programs)):
        return
    if shutil.which("apt-get") is None:
        print(f"The tests marked {what} are left out: they need Debian's {', '.join(packages)}.", file=sys.stderr)
        return
    rights = [] if os.geteuid() == 0 else ["sudo", "-n"]
    quietly = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for words in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", *packages]):
        if subprocess.run([*rights, "apt-get", *words], env=quietly, stdout=subprocess.DEVNULL, check=False).returncode:
            print(f"apt-get {words[0]} failed: the tests marked {what} may be left out.", file=sys.stderr)
            return


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
