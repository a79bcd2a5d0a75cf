"""Runs a file of checks in an emulated Linux, once, and gives what each said."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

__all__ = ["CHECKS", "names_of", "outcomes_of"]

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CHECKS = HERE / "guest"


def names_of(checks: str) -> list[str]:
    """Name the checks of a file without importing it: it can only be imported where the kernel has CAN."""
    return re.findall(r"^def (test_\w+)\(", (CHECKS / checks).read_text(encoding="utf-8"), re.MULTILINE)


def outcomes_of(script: str, checks: str, work: Path, *, timeout_s: int) -> dict[str, str]:
    """Run the checks; by name what each said, nothing when it went well.

    Parameters
    ----------
    script : that starts the emulated machine
    work : a folder for the machine's own files; the one it shares lies in it
    """
    share = work / "share"
    share.mkdir(exist_ok=True)
    said = share / "said.xml"
    said.unlink(missing_ok=True)
    inside = [sys.executable, "-m", "pytest", "--noconftest", "-c", "/dev/null", "--rootdir", str(ROOT), "-q"]
    inside += ["-p", "no:cacheprovider", "--import-mode=importlib", f"--junitxml=/mnt/share/{said.name}"]
    told = [f"{key}={value}" for key, value in os.environ.items() if key == "BUSDOC_PULLS"]
    told += [f"PYTHONPATH={ROOT}", f"BUSDOC_PYTHON={sys.executable}", "BUSDOC_CACHE=/tmp/cache", "HOME=/tmp"]
    kept = os.environ["NUMBA_CACHE_DIR"]
    told.append(f"NUMBA_CACHE_DIR={kept}")  # kernels that were compiled on this computer; what is written stays inside
    command = f"cd {shlex.quote(str(ROOT))} && {shlex.join(['env', *told, *inside, str(CHECKS / checks)])}"
    run = subprocess.run(
        [str(HERE / script), "--timeout", str(timeout_s), "--", command],
        capture_output=True,
        text=True,
        env={**os.environ, "QEMU_DIR": str(work), "SHARE": str(share)},
        check=False,
    )
    assert said.exists(), f"the emulated machine gave no answer:\n{run.stdout}\n{run.stderr}"
    cases = ElementTree.parse(said).getroot().iter("testcase")
    return {case.get("name", ""): "\n".join(part.text or "" for part in case) for case in cases}
