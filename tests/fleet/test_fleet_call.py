"""The call: the same as the command, given as typed records and frames; a refusal leaves nothing behind."""

from pathlib import Path

import pytest

import busdoc
from tests.truth.fleet_captures import KINDS, Drop, write_capture
from tests.typed import Run


@pytest.fixture
def park(tmp_path: Path) -> Path:
    folder = tmp_path / "park"
    drops = [Drop(at_s=12.0, controllers=("hopper",))]
    write_capture(folder / "0017" / "a.log", KINDS[0], 24.0, drops, seed=1)
    write_capture(folder / "SW-2" / "b.log", KINDS[0], 24.0, [], seed=2)
    (folder / "SW-2" / "empty.log").write_bytes(b"")
    return folder


def test_the_call_gives_what_the_command_writes(tmp_path: Path, park: Path, run: Run) -> None:
    seen: list[int] = []
    found = busdoc.fleet(
        park, tmp_path / "called", workers=0, reports="none", progress=lambda so_far: seen.append(so_far.n_done)
    )
    assert seen == [1, 2, 3]
    assert found.captures["machine"].tolist() == ["0017", "SW-2", "SW-2"]  # a name of digits stays a name
    assert found.dropouts[["machine", "controllers", "part"]].values.tolist() == [["0017", "hopper", "hopper"]]
    assert found.controllers.groupby("machine")["dropouts"].sum().to_dict() == {"0017": 1, "SW-2": 0}
    assert found.parts.query("dropouts > 0")["part"].tolist() == ["hopper"]
    ((machine, address, sentence),) = found.failures.values.tolist()
    assert (machine, Path(address).name) == ("SW-2", "empty.log")
    assert "an empty file" in sentence
    assert [one.name for one in found.findings.kinds] == ["Street sweeper"]
    assert found.findings.n_judged == 2
    assert found.page == tmp_path / "called" / "fleet.html"
    assert found.page.is_file()
    run("fleet", park, "-o", tmp_path / "typed", "--workers", "0", "--reports", "none")
    for table in ("captures", "controllers", "parts", "dropouts"):
        (one, *more), (other, *others) = (
            [path.read_bytes() for path in sorted((tmp_path / folder / "tables" / table).rglob("*.parquet"))]
            for folder in ("called", "typed")
        )
        assert [one, *more] == [other, *others]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"workers": -1}, "workers: expected a whole number from 0 on"),
        ({"workers": 1, "cluster": "tcp://x:1"}, "workers: expected no cluster beside it"),
        ({"changed": "31.3.2026"}, "changed: expected a day"),
        ({"reports": "some"}, "reports: expected all, trouble, none"),
        ({"machine": "not-there.toml"}, "machine not-there.toml: expected a file"),
        ({"databases": "not-there.dbc"}, "databases not-there.dbc: expected a file"),
        ({"sources": "not-there"}, "not-there: expected a capture, a folder or a manifest"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_leaves_nothing(
    tmp_path: Path, park: Path, given: dict[str, object], told: str
) -> None:
    out = tmp_path / "deep" / "out"
    with pytest.raises(busdoc.InputError) as caught:
        busdoc.fleet(**{"sources": park, "folder": out, "workers": 0, **given})  # type: ignore[arg-type]
    assert str(caught.value).startswith(told)
    assert not (tmp_path / "deep").exists()


def test_a_source_that_fails_takes_nothing_from_an_earlier_run_nor_from_who_made_the_folder(
    tmp_path: Path, park: Path
) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    with pytest.raises(busdoc.InputError):
        busdoc.fleet([park, "not-there"], mine, workers=0)
    assert list(mine.iterdir()) == []
    busdoc.fleet(park, mine, workers=0, reports="none")
    before = sorted(path.name for path in mine.iterdir())
    with pytest.raises(busdoc.InputError):
        busdoc.fleet([park, "not-there"], mine, workers=0)
    assert sorted(path.name for path in mine.iterdir()) == before
    n_judged: list[int] = []
    busdoc.fleet(park, mine, workers=0, reports="none", progress=lambda so_far: n_judged.append(so_far.n_known))
    assert n_judged[-1] == 3  # nothing is judged again
