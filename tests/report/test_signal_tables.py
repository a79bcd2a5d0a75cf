"""Tables of decoded signals, held against cantools frame by frame."""

from pathlib import Path

import cantools
import numpy as np
import pandas as pd
import pytest

from busdoc.capture.source import open_capture
from busdoc.cli.main import main
from busdoc.decode.database.message import Signal
from busdoc.errors import InputError
from busdoc.report.tables.signal_tables import column_name, write_signal_tables

ROOT = Path(__file__).parents[2]
CAPTURE = ROOT / "captures" / "street_sweeper" / "capture.log.gz"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


def test_each_value_is_what_cantools_decodes(tmp_path: Path) -> None:
    write_signal_tables([CAPTURE], [DATABASE], ["HopperStatus.*"], tmp_path)
    table = pd.read_parquet(next(tmp_path.glob("signals-HopperStatus-*.parquet")))
    database = cantools.database.load_file(DATABASE)
    assert isinstance(database, cantools.database.can.Database)
    message = database.get_message_by_name("HopperStatus")
    expected = []
    for block in open_capture([CAPTURE]).blocks():
        for row in np.flatnonzero(block.id == 0x18FF3131).tolist():
            decoded = message.decode(bytes(block.data[row]), decode_choices=False)
            assert isinstance(decoded, dict)
            expected.append((block.t_ns[row] / 1e9, decoded["State"], decoded["Counter"], decoded["GateAngle"]))
    assert len(table) == len(expected) > 1000
    found = table[["time_s", "State", "Counter", "GateAngle_deg"]].to_numpy()
    readable = ~np.isnan(found)  # cantools gives numbers to what the signal's range sets aside for 'not available'
    assert readable.mean() > 0.7
    assert (found[readable] == np.array(expected, float)[readable]).all()


def test_both_files_of_a_table_say_the_same(tmp_path: Path) -> None:
    csv, parquet = write_signal_tables([CAPTURE], [DATABASE], ["HopperStatus.State", "HopperStatus.Gate*"], tmp_path)
    read = pd.read_csv(csv)
    kept = pd.read_parquet(parquet)
    read["time_utc"] = pd.to_datetime(read["time_utc"]).astype(kept["time_utc"].dtype)  # in the unit that is kept
    pd.testing.assert_frame_equal(read, kept, check_dtype=False)
    assert list(read) == ["time_s", "time_utc", "State", "State_text", "GateAngle_deg", "GateClosed", "GateClosed_text"]
    assert set(read["State_text"].dropna()) >= {"RUN", "FAULT"}


def test_a_pattern_is_blind_to_upper_and_lower_case_and_needs_no_message(tmp_path: Path) -> None:
    written = write_signal_tables([CAPTURE], [DATABASE], ["enginespeed"], tmp_path)
    assert [path.suffix for path in written] == [".csv", ".parquet"]
    assert list(pd.read_csv(written[0])) == ["time_s", "time_utc", "EngineSpeed_rpm"]


def test_a_pattern_that_matches_nothing_names_what_comes_near(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r'"Engne\*", which matches none.*EEC1\.EngineSpeed'):
        write_signal_tables([CAPTURE], [DATABASE], ["Engne*"], tmp_path)


@pytest.mark.parametrize(
    ("unit", "name"),
    [("V", "Level_V"), ("%", "Level_percent"), ("km/h", "Level_km_per_h"), ("°C", "Level_degC"), ("", "Level")],
)
def test_the_unit_ends_the_column_s_name(unit: str, name: str) -> None:
    assert column_name(Signal(name="Level", start=0, length=8, little_endian=True, unit=unit)) == name


def test_the_command_writes_them_beside_the_other_tables(tmp_path: Path) -> None:
    words = ["postmortem", str(CAPTURE), "--db", str(DATABASE), "--tables", str(tmp_path), "--signals", "VEP1.*"]
    assert main([*words, "--json"]) == 1
    assert {path.stem for path in tmp_path.iterdir()} >= {"incidents", "signals-VEP1-can0-0x18FEF700"}


def test_signals_without_a_folder_for_them_are_refused_before_reading(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["postmortem", str(CAPTURE), "--db", str(DATABASE), "--signals", "VEP1.*"]) == 2
    assert "Add --tables DIR." in capsys.readouterr().err
