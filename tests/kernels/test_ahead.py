"""The first run on a machine: what another process compiles is waited for; where it fails, nothing is lost."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.kernels import ahead

SOURCE = (
    "from busdoc.kernels.ahead import compile_ahead, start_ahead\n"
    "from busdoc.kernels.telling import when_compiling\n"
    "when_compiling(print)\n"
    "compile_ahead(['busdoc.health.streams.payload_bits_kernel'])\n"
    "start_ahead()\n"
    "import busdoc.health.streams.payload_bits_kernel as kernel\n"
    "kernel.take_bits.prepare()\n"
    "print(kernel.take_bits.is_kept())"
)


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core compiles by itself")
def test_what_the_other_process_compiles_is_not_compiled_here(tmp_path: Path) -> None:
    environment = {name: text for name, text in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    environment["BUSDOC_CACHE"] = str(tmp_path)
    command = [sys.executable, "-c", SOURCE]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "True\n"


def test_a_process_that_ends_without_its_kernels_leaves_them_to_be_compiled_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    child = subprocess.Popen([sys.executable, "-c", ""])
    monkeypatch.setattr(ahead, "_wanted", ["a.kernel"])
    monkeypatch.setattr(ahead, "_child", [child])
    assert not ahead.wait_for_ahead("a.kernel", lambda: False)
    assert not ahead.wait_for_ahead("another.kernel", lambda: True)
    assert child.returncode == 0
