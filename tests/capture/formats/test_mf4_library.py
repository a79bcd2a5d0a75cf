"""What the library is spared in a process of its own changes nothing of what it reads."""

import subprocess
import sys
from pathlib import Path

import pytest

from busdoc.capture.formats.mf4.columns import mf4_blocks
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import Reading
from tests.capture.formats.samples import sample
from tests.capture.random_frames import rows_of

ALONE = """
import sys
from pathlib import Path
from busdoc.capture.formats.mf4 import library
from busdoc.capture.formats.mf4.columns import mf4_blocks
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import Reading
from tests.capture.random_frames import rows_of
library._NOT_NEEDED = tuple(sys.argv[2:]) or library._NOT_NEEDED
print([*rows_of(FrameBlock.concat([one.frames for one in mf4_blocks(Reading(Path(sys.argv[1])), alone=True)]))])
print(isinstance(sys.modules["pandas"], library._Empty))
"""


@pytest.mark.parametrize(
    ("left_out", "is_spared"),
    [((), True), (("pandas", "dateutil"), False)],
    ids=["what it does not need", "what it needs"],
)
def test_it_reads_the_same_without_what_it_does_not_need(
    left_out: tuple[str, ...], is_spared: bool, tmp_path: Path
) -> None:
    path = tmp_path / "one.mf4"
    path.write_bytes(sample(".mf4", tmp_path))
    frames = FrameBlock.concat([one.frames for one in mf4_blocks(Reading(path))])
    done = subprocess.run(
        [sys.executable, "-c", ALONE, str(path), *left_out],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[3],
    )
    assert len(frames)
    assert done.stdout.splitlines() == [str([*rows_of(frames)]), str(is_spared)]
