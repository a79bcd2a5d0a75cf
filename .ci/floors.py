"""The oldest version of each dependency that is allowed, as a file of constraints for pip.

    python .ci/floors.py > floors.txt
    pip install --constraint floors.txt ".[all,fleet]"

Installs the oldest set that busdoc is said to work with, or says which of its floors exclude each other. The step
`floors` of `steps.py` asks pip for that set without installing it.
"""

import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

__all__ = ["floors", "main"]

ROOT = Path(__file__).resolve().parents[1]
NOT_INSTALLED = ("dev", "docs")
"""Extras for those who change busdoc; what users have is the rest."""
_FLOOR = re.compile(r"(?P<name>[A-Za-z0-9._-]+)(?:\[[^\]]*\])?>=(?P<version>[0-9.]+)(?P<marker>\s*;.*)?")


def floors(project: Path = ROOT / "pyproject.toml") -> Iterator[str]:
    """Yield each dependency of the core and of the extras for users, held at its oldest version.

    Raises
    ------
    ValueError : one that names no oldest version
    """
    declared = tomllib.loads(project.read_text(encoding="utf-8"))["project"]
    extras = declared["optional-dependencies"]
    wanted = [*declared["dependencies"], *(one for name in extras if name not in NOT_INSTALLED for one in extras[name])]
    for one in dict.fromkeys(one for one in wanted if not one.startswith("busdoc[")):
        floor = _FLOOR.fullmatch(one)
        if floor is None:
            raise ValueError(f"{one}: expected NAME>=VERSION")
        yield f"{floor['name']}=={floor['version']}{floor['marker'] or ''}"


def main() -> int:
    """Print them."""
    print("\n".join(floors()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
