"""busdoc on the real SocketCAN stack, in an emulated kernel: `guest/check_socketcan.py`, run there once for all tests.

It needs Linux, and Debian's user-mode-linux, can-utils and iproute2, which `.ci/steps.py emulated` installs. Where they
are missing the tests are left out, and say so.
"""

import shutil
import sys

import pytest

from tests.emulated.in_guest import names_of, outcomes_of

CHECKS = "check_socketcan.py"
CAN_RUN = sys.platform == "linux" and all(map(shutil.which, ("linux.uml", "candump", "slcand", "ip", "depmod")))

pytestmark = [
    pytest.mark.emulated,
    pytest.mark.skipif(not CAN_RUN, reason="user-mode-linux, can-utils, iproute2 or kmod is missing"),
]


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return outcomes_of("socketcan.sh", CHECKS, tmp_path_factory.mktemp("emulated"), timeout_s=900)


@pytest.mark.parametrize("name", names_of(CHECKS))
def test_in_the_kernel(name: str, outcomes: dict[str, str]) -> None:
    assert name in outcomes, f"it was not run; there were: {', '.join(outcomes)}"
    assert outcomes[name] == ""
