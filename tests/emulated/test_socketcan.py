"""busdoc on the real SocketCAN stack, in an emulated kernel: `guest/check_socketcan.py`, run there once for all tests.

It needs Linux, and Debian's user-mode-linux, can-utils and iproute2, which `.ci/steps.py emulated` installs. Where they
are missing the tests are left out, and say so.
"""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CHECKS = HERE / "guest" / "check_socketcan.py"
NAMES = re.findall(r"^def (test_\w+)\(", CHECKS.read_text(encoding="utf-8"), re.MULTILINE)
CAN_RUN = sys.platform == "linux" and all(map(shutil.which, ("linux.uml", "candump", "slcand", "ip", "depmod")))

pytestmark = [
    pytest.mark.emulated,
    pytest.mark.skipif(not CAN_RUN, reason="user-mode-linux, can-utils, iproute2 or kmod is missing"),
]


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give what each check said: nothing when it went well."""
    work = tmp_path_factory.mktemp("emulated")
    share = work / "share"
    share.mkdir()
    inside = [sys.executable, "-m", "pytest", "--noconftest", "-c", "/dev/null", "--rootdir", str(ROOT), "-q"]
    inside += ["-p", "no:cacheprovider", "--import-mode=importlib", "--junitxml=/mnt/share/said.xml", str(CHECKS)]
    told = [f"{key}={value}" for key, value in os.environ.items() if key == "BUSDOC_PULLS"]
    told += [f"PYTHONPATH={ROOT}", f"BUSDOC_PYTHON={sys.executable}", "BUSDOC_CACHE=/tmp/cache", "HOME=/tmp"]
    command = ["env", *told, *inside]
    environment = {**os.environ, "QEMU_DIR": str(work), "SHARE": str(share)}
    run = subprocess.run(
        [str(HERE / "socketcan.sh"), "--timeout", "900", "--", f"cd {shlex.quote(str(ROOT))} && {shlex.join(command)}"],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    file = share / "said.xml"
    assert file.exists(), f"the emulated kernel gave no answer:\n{run.stdout}\n{run.stderr}"
    cases = ElementTree.parse(file).getroot().iter("testcase")
    return {
        case.get("name", ""): "\n".join(part.text or "" for part in case if part.tag != "skipped") for case in cases
    }


@pytest.mark.parametrize("name", NAMES)
def test_in_the_kernel(name: str, outcomes: dict[str, str]) -> None:
    assert name in outcomes, f"it was not run; there were: {', '.join(outcomes)}"
    assert outcomes[name] == ""
