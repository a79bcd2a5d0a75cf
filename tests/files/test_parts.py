"""What is not installed is said in a sentence before anything is read, and the rest works."""

import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

import busdoc
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import load_databases
from busdoc.decode.signals.cells import SignalCells
from busdoc.decode.signals.watch import SignalWatch
from busdoc.files.parts import PARTS
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.wire.wire import WireWatch
from tests.report import record_results as made
from tests.typed import typed

ROOT = Path(__file__).parents[2]
DATABASE = """VERSION ""
BU_: Hopper
BO_ 2566848561 HopperStatus: 2 Hopper
 SG_ Level : 8|8@1+ (0.5,0) [0|100] "%" Vector__XXX
"""


def without(monkeypatch: pytest.MonkeyPatch, *modules: str) -> None:
    for module in modules:
        monkeypatch.setitem(sys.modules, module, None)  # as Python marks what is not to be imported


def test_every_part_is_an_extra_with_the_same_projects_and_all_has_every_part() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    for name, part in PARTS.items():
        assert {one.partition(">=")[0] for one in extras[name] if not one.startswith("busdoc")} == set(part.projects)
    (everything,) = extras["all"]
    assert set(everything.partition("[")[2].rstrip("]").split(",")) == {
        name for name, part in PARTS.items() if part.for_all
    }
    assert "busdoc[all]" in extras["dev"]


@pytest.mark.parametrize(
    ("module", "words", "said"),
    [
        ("matplotlib", ("--report", "r.html"), 'the extra "report"'),
        ("fpdf", ("--report", "r.pdf"), "pip install matplotlib jinja2 fpdf2"),
        ("pyarrow", ("--tables", "t"), "pip install pandas pyarrow"),
    ],
)
def test_an_option_whose_part_is_missing_is_refused_before_the_capture_is_read(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, module: str, words: tuple[str, str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    without(monkeypatch, module)
    status, out, err = typed("postmortem", "nowhere.log", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert said in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("module", ["pandas", "jinja2", "statsmodels", "fsspec"])
def test_a_fleet_whose_parts_are_missing_is_refused_before_a_capture_is_read(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, module: str
) -> None:
    monkeypatch.chdir(tmp_path)
    without(monkeypatch, module)
    status, out, err = typed("fleet", "nowhere", "-o", "park", "--workers", "0")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert f"no {module} installed" in err
    assert list(tmp_path.iterdir()) == []


def test_a_capture_whose_reader_is_missing_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "a.mf4").write_bytes(b"MDF     4.10    " + bytes(200))
    without(monkeypatch, "asammdf")
    with pytest.raises(busdoc.InputError, match="pip install asammdf"):
        list(open_capture([tmp_path / "a.mf4"]).blocks())
    files = ROOT / "captures" / "sweeper_code" / "scenario.toml"
    with pytest.raises(busdoc.InputError, match="pip install asammdf"):
        busdoc.simulate(files, tmp_path / "run", suffix=".mf4")


def test_calls_of_the_api_say_so_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    without(monkeypatch, "pandas", "jinja2")
    result = made.clean()
    for call in (
        lambda: busdoc.tables(result),
        lambda: busdoc.write_tables(result, tmp_path),
        lambda: busdoc.write_report(result, tmp_path / "r.html"),
        lambda: result.presence(),
        lambda: result.signals("A.*"),
    ):
        with pytest.raises(busdoc.InputError, match="Install it: python -m pip install"):
            call()


def test_large_recordings_are_gone_through_where_nothing_can_be_compiled(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """More frames than any kernel waits for; that the kernels give what numpy gives is held beside each of them."""
    for name in [name for name in sys.modules if name.startswith("busdoc.") and name.endswith("kernel")]:
        monkeypatch.delitem(sys.modules, name)  # one that is asked for is loaded anew, and fails
    without(monkeypatch, "numba", "llvmlite")
    n = 450_000
    row = np.arange(n)
    block = FrameBlock(
        t_ns=row * 250_000,
        channel=np.zeros(n, np.uint8),
        id=np.full(n, 0x18FF0031, np.uint32),
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=np.full(n, 2, np.uint8),
        data=np.zeros((n, 8), np.uint8),
    )
    (tmp_path / "c.dbc").write_text(DATABASE, encoding="ascii")
    database = load_databases([tmp_path / "c.dbc"])
    health, wire, signals = HealthWatch(), WireWatch({}), SignalWatch(database)
    for watch in (health, wire, signals):
        watch.feed(block)
    (summary,) = signals.summaries()
    assert summary.frames == n
    assert wire.close()[0].n_frames == n
    cells = SignalCells(database, [summary], np.array([0, n * 250_000]))
    cells.feed(block)
    assert cells.series()[0].high.tolist() == [0.0]

    with (tmp_path / "c.log").open("wb") as file:
        file.write(b"(1.000000) can0 18FF0031#0000\n")
        file.truncate(11 << 20)
    assert not open_capture([tmp_path / "c.log"]).compiled
    monkeypatch.undo()
    assert open_capture([tmp_path / "c.log"]).compiled


def test_the_demo_goes_on_without_its_report(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    without(monkeypatch, "matplotlib")
    status, out, err = typed("demo", "-o", tmp_path / "d")
    assert (status, err) == (0, "")
    assert "no report: it needs python -m pip install matplotlib" in " ".join(out.split())
    assert not (tmp_path / "d" / "report.html").exists()
    assert (tmp_path / "d" / "verdict.json").exists()
