"""What holds for each kind of capture that is registered, and for one that is added by a row and a module."""

import gzip
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

from busdoc.capture.formats.rows import FrameLine
from busdoc.capture.formats.suffixes import READERS, Reader
from busdoc.capture.formats.text.by_line import frames_of_lines
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.capture.source import open_capture
from busdoc.cli.main import main
from busdoc.errors import InputError
from busdoc.times import nanoseconds
from tests.capture.formats.samples import sample
from tests.capture.random_frames import rows_of

ROOT = Path(__file__).parents[3]

every_suffix = pytest.mark.parametrize("suffix", sorted(READERS))


def read(path: Path, chunk_bytes: int | None = None) -> list[tuple[object, ...]]:
    return [*rows_of(FrameBlock.concat(list(open_capture([path], chunk_bytes=chunk_bytes).blocks())))]


def written(suffix: str, folder: Path) -> Path:
    path = folder / f"one{suffix}"
    path.write_bytes(sample(suffix, folder))
    return path


@every_suffix
@pytest.mark.parametrize("packing", [".gz", ".zst"])
def test_packed_it_reads_the_same(suffix: str, packing: str, tmp_path: Path) -> None:
    path = written(suffix, tmp_path)
    plain = read(path)
    packed = path.rename(path.with_name(f"one{suffix}{packing}"))
    pack = gzip.compress if packing == ".gz" else zstd.compress
    packed.write_bytes(pack(packed.read_bytes()))
    assert read(packed) == plain != []


@every_suffix
@pytest.mark.parametrize("chunk_bytes", [1, 77])
def test_cut_into_pieces_it_reads_the_same(suffix: str, chunk_bytes: int, tmp_path: Path) -> None:
    path = written(suffix, tmp_path)
    assert read(path, chunk_bytes) == read(path)


@every_suffix
def test_a_folder_that_holds_one_stands_for_it(suffix: str, tmp_path: Path) -> None:
    path = written(suffix, tmp_path)
    folder = tmp_path / "folder"
    folder.mkdir()
    path = path.rename(folder / path.name)
    (folder / "notes.txt").write_text("none of the kinds", encoding="utf-8")
    assert open_capture([folder]).files == (path,)


@every_suffix
def test_what_opens_as_another_kind_is_refused_by_name(suffix: str, tmp_path: Path) -> None:
    other = ".trc" if suffix == ".asc" else ".asc"
    path = written(other, tmp_path)
    with pytest.raises(InputError, match=rf"{suffix} capture, found .*{other}") as refused:
        open_capture([path.rename(path.with_suffix(suffix))])
    assert refused.value.args[3] == f"Rename it to end in {other}."


@every_suffix
def test_it_stands_in_the_guides(suffix: str) -> None:
    for guide, line in (("README.md", "| `.log` |"), ("docs/post-mortem.md", "by their suffix: `.log`")):
        text = (ROOT / guide).read_text(encoding="utf-8")
        assert line in text
        assert f"`{suffix}`" in text, guide


def test_a_row_and_a_function_add_a_suffix(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As the guide for contributors says it: the command reads it then, packed too, and names it among the others."""

    def read_pairs(reading: Reading) -> Iterator[ReadBlock]:
        def parse(text: str) -> FrameLine | str | None:
            if text.startswith("pairs of a made-up kind"):
                return None
            time, id_, payload = text.split("|")
            data = bytes.fromhex(payload)
            return FrameLine(nanoseconds(time), "can0", int(id_, 16), 0, len(data), data)

        return frames_of_lines(reading, parse, reading.chunk_bytes or 4096)

    monkeypatch.setitem(READERS, ".pairs", Reader(read_pairs, opens=(b"pairs of",)))
    text = "Pairs of a made-up kind\n" + "".join(f"{1000 + n / 10:.6f}|181|{n % 256:02x}\n" for n in range(600))
    path = tmp_path / "monday.pairs"
    path.write_text(text, encoding="utf-8", newline="\n")
    packed = tmp_path / "folder" / "monday.pairs.gz"
    packed.parent.mkdir()
    packed.write_bytes(gzip.compress(text.encode("utf-8") + b"half a line"))
    for given in (path, packed, packed.parent):
        main(["postmortem", str(given), "--json"])
        assert json.loads(capsys.readouterr().out)["capture"]["frames"] == 600
    assert main(["postmortem", str(path.rename(tmp_path / "monday.txt"))]) == 2
    assert ".mf4, .pairs, each also with .gz or .zst" in capsys.readouterr().err
    assert main(["postmortem", str((tmp_path / "monday.txt").rename(tmp_path / "monday.log"))]) == 2
    assert "found the content of a .pairs one. Rename it to end in .pairs." in capsys.readouterr().err
