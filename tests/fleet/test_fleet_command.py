"""The command as it is typed: what is said first, the pages, and one sentence for what cannot be done."""

import re
from pathlib import Path

import pytest

from busdoc.cli.environment import ExitStatus
from tests.truth.fleet_captures import KINDS, Drop, write_capture
from tests.typed import Run

SWEEPER = KINDS[0]


@pytest.fixture
def park(tmp_path: Path) -> Path:
    """Five sweepers, three captures each; on SW-3 the hopper drops twice in each of them."""
    folder = tmp_path / "park"
    for k in range(1, 6):
        for day in range(3):
            drops = [Drop(at_s=at_s, controllers=("hopper",), holds_s=2.5) for at_s in (8.0, 20.0) if k == 3]
            path = folder / f"SW-{k}" / f"day {day}.log"
            write_capture(path, SWEEPER, 32.0, drops, seed=10 * k + day, start_s=86_400.0 * 30.0 * day)
    return folder


def test_it_names_the_worst_machine_first_and_its_page_leads_to_each_report(
    run: Run, tmp_path: Path, park: Path
) -> None:
    (park / "SW-1" / "empty.log").write_bytes(b"")
    out = tmp_path / "out"
    status, told, err = run(
        "fleet", park, "-o", out, "--workers", "0", "--reports", "trouble", "--changed", "2026-07-20"
    )
    assert (status, err) == (ExitStatus.TROUBLE, "")
    assert told.splitlines()[0].startswith("1 of 5 machines drops controllers more often than its kind: SW-3.")
    assert "16 captures of 5 machines, 1 kind" in told
    assert "1 capture could not be judged" in told
    assert "expected a capture, found an empty file" in " ".join(told.split())
    assert "Look at hopper (6 of 6)" in " ".join(told.split())
    page = (out / "fleet.html").read_text(encoding="utf-8")
    assert '<a href="machines/SW-3.html">SW-3</a>' in page
    assert set(re.findall(r"https?://[^/]+", page)) <= {"http://www.w3.org"}  # names of SVG, which nobody fetches
    machine = (out / "machines" / "SW-3.html").read_text(encoding="utf-8")
    links = re.findall(r'<a href="\.\./(captures/[^"]+)"', machine)
    assert len(links) == 3
    assert all((out / link).is_file() and link.endswith(".html") for link in links)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--workers", "-1"], "--workers: expected a whole number from 0 on"),
        (["--workers", "2", "--cluster", "tcp://x:1"], "expected no --cluster beside it"),
        (["--changed", "31.3.2026"], "--changed: expected a day"),
        (["--machine", "not-there.toml"], "--machine not-there.toml: expected a file"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run: Run, tmp_path: Path, words: list[str], told: str) -> None:
    status, _, err = run("fleet", tmp_path, "-o", tmp_path / "out", *words)
    assert status == ExitStatus.COULD_NOT
    assert told in err
    assert err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_fleet_of_which_nothing_can_be_read_ends_with_status_2(run: Run, tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "empty.log").write_bytes(b"")
    status, told, _ = run("fleet", tmp_path / "x", "-o", tmp_path / "out", "--workers", "0")
    assert status == ExitStatus.COULD_NOT
    assert "an empty file" in " ".join(told.split())
