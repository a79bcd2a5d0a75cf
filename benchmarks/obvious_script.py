"""What one would write without busdoc: python-can reads, cantools decodes each frame, a dict keeps who was last seen.

It is the yardstick of `end_to_end.py`; run alone it prints the silences that it finds.
"""

import sys
from pathlib import Path

import can
import cantools
import pandas as pd


def main(capture: Path, database: Path) -> None:
    """Find silences longer than three seconds by identifier, with every signal's range."""
    db = cantools.database.load_file(database)
    assert isinstance(db, cantools.database.Database)
    last_seen: dict[int, float] = {}
    rows: list[tuple[str, str, float]] = []
    silences: list[tuple[int, float, float]] = []
    for message in can.LogReader(capture):
        before = last_seen.get(message.arbitration_id)
        if before is not None and message.timestamp - before > 3.0:
            silences.append((message.arbitration_id, before, message.timestamp))
        last_seen[message.arbitration_id] = message.timestamp
        try:
            decoded = db.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
        except (KeyError, cantools.database.DecodeError, ValueError):
            continue
        if isinstance(decoded, dict):
            rows += [("", name, float(value)) for name, value in decoded.items() if isinstance(value, int | float)]
    signals = pd.DataFrame(rows, columns=["message", "signal", "value"]).groupby("signal")["value"].agg(["min", "max"])
    print(f"{len(silences)} silences, {len(signals)} signals")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
