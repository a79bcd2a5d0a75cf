"""A recording of an NMEA 2000 boat, out of the source package of gpsd 3.22 on Debian, kept in `.cache/`.

Fetched through apt itself, with the machine's own sources turned to source packages in a folder apart; the machine's
package lists stay as they are.
"""

import re
import shutil
import subprocess
import tarfile
from functools import cache
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[2]
_APT = Path("/etc/apt")
_MEMBER = re.compile(r"gpsd-3\.22/test/nmea2000/.*_can\.log")


@cache
def boat_recording() -> Path:
    """Give the recording as a `.log` file; skips the test where the package cannot be fetched."""
    folder = _ROOT / ".cache" / "gpsd-3.22"
    kept = folder / "boat.log"
    if kept.is_file():
        return kept
    if shutil.which("apt-get") is None:
        pytest.skip("gpsd's source package needs apt")
    folder.mkdir(parents=True, exist_ok=True)
    _fetch(folder)
    archives = sorted(folder.glob("gpsd_3.22.orig.tar.*"))
    if not archives:
        pytest.skip("gpsd's source package cannot be fetched here")
    with tarfile.open(archives[0]) as archive:
        member = next(name for name in archive.getnames() if _MEMBER.fullmatch(name))
        content = archive.extractfile(member)
        assert content is not None
        kept.write_bytes(content.read())
    return kept


def _fetch(folder: Path) -> None:
    parts = folder / "sources"
    lists = folder / "lists"
    (lists / "partial").mkdir(parents=True, exist_ok=True)
    parts.mkdir(exist_ok=True)
    for source in sorted(_APT.glob("sources.list.d/*.sources")):
        text = source.read_text(encoding="utf-8")
        (parts / source.name).write_text(re.sub(r"(?m)^Types:.*$", "Types: deb-src", text), encoding="utf-8")
    for source in (_APT / "sources.list", *sorted(_APT.glob("sources.list.d/*.list"))):
        if source.is_file():
            text = source.read_text(encoding="utf-8")
            (parts / source.with_suffix(".list").name).write_text(
                re.sub(r"(?m)^deb\s", "deb-src ", text), encoding="utf-8"
            )
    options = [
        f"Dir::Etc::sourceparts={parts}",
        "Dir::Etc::sourcelist=/dev/null",
        f"Dir::State::lists={lists}",
        "APT::Sandbox::User=root",
    ]
    apt = ["apt-get", "-qq", *(word for option in options for word in ("-o", option))]
    for command in (["update"], ["source", "--download-only", "gpsd"]):
        subprocess.run([*apt, *command], cwd=folder, capture_output=True, check=False, timeout=300)
