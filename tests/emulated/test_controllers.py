"""busdoc with real drivers of real controllers, in an emulated machine: `guest/check_controllers.py`.

Only where it is asked for, before a release: `pytest -m controllers tests/emulated`. It needs Debian, installs QEMU and
fetches Debian's kernel through apt, and takes some ten minutes.
"""

import sys

import pytest

from tests.emulated.in_guest import names_of, outcomes_of

CHECKS = "check_controllers.py"

pytestmark = pytest.mark.controllers


@pytest.fixture(scope="module")
def outcomes(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    if "controllers" not in request.config.getoption("-m") or sys.platform != "linux":
        pytest.skip("only where it is asked for: pytest -m controllers")
    return outcomes_of("controllers.sh", CHECKS, tmp_path_factory.mktemp("controllers"), timeout_s=3_000)


@pytest.mark.parametrize("name", names_of(CHECKS))
def test_with_real_drivers(name: str, outcomes: dict[str, str]) -> None:
    assert name in outcomes, f"it was not run; there were: {', '.join(outcomes)}"
    assert outcomes[name] == ""
