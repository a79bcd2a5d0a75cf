"""The folder of a fleet: what is listed and what is judged, kept so that a run that ends is gone on with.

    DIR/fleet.sqlite            what is listed, and what was judged, by content
    DIR/captures/MACHINE/       each capture's own verdict (JSON) and report (HTML)
    DIR/tables/                 the results as Parquet, partitioned by machine
    DIR/baselines/              a machine map with limits for each kind
    DIR/fleet.html              the page

Only the process that runs the command writes here, whatever machines the workers are on.
"""

import contextlib
import hashlib
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from busdoc.capture.place import try_lock
from busdoc.errors import InputError, found_instead
from busdoc.many.intake.capture import FleetCapture
from busdoc.many.judged import Judged, Outcome, Reports, unpacked
from busdoc.report.output import write_text

__all__ = ["FleetStore", "Listed", "plain_name"]

_STORE, _LOCK = "fleet.sqlite", "fleet.lock"
_LAYOUT = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS judged (
    content TEXT, beside TEXT, outcome TEXT, sentence TEXT, body BLOB, verdict TEXT, report TEXT, n_bytes INTEGER,
    PRIMARY KEY (content, beside)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS stamps (address TEXT PRIMARY KEY, stamp TEXT, content TEXT) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS listed (
    number INTEGER PRIMARY KEY, capture TEXT, machine TEXT, beside TEXT, content TEXT, outcome TEXT, sentence TEXT,
    n_bytes INTEGER);
CREATE INDEX IF NOT EXISTS by_content ON listed (content, beside);
CREATE INDEX IF NOT EXISTS by_machine ON listed (machine, number);
CREATE INDEX IF NOT EXISTS by_size ON judged (n_bytes);
"""
_ODD = re.compile(r"[^\w.-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One line of the fleet, with what became of it."""

    number: int
    capture: FleetCapture
    outcome: Outcome | None
    """None: it was not come to yet."""
    sentence: str
    content: str | None
    same_as: int | None
    """The number of an earlier line with the same content: it counts once."""
    body: dict[str, Any] | None
    verdict: str | None
    """The JSON file, from the fleet's folder; None: there is none."""
    report: str | None


class FleetStore:
    """The store in a fleet's folder; one process at a time.

    Parameters
    ----------
    folder : made where it is not there; one with a fleet is gone on with

    Raises
    ------
    InputError : it cannot be written, holds something else, or a run is using it
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._made_folders = [one for one in (folder, *folder.parents) if not one.exists()]
        known = (folder / _STORE).exists() or (folder / _LOCK).exists()
        if folder.is_dir() and not known and any(folder.iterdir()):
            raise InputError(
                str(folder),
                "an empty folder, or one with a fleet",
                "a folder with other files",
                "Name another with -o.",
            )
        self._is_new = not known
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock: BinaryIO = (folder / _LOCK).open("ab")
        except OSError as error:
            raise InputError(
                str(folder), "a folder that can be written", found_instead(error), "Name another with -o."
            ) from error
        if not try_lock(self._lock):
            self._lock.close()
            raise InputError(str(folder), "a fleet that nobody works on", "a run in it", "End it there, or wait.")
        try:
            self._db = sqlite3.connect(folder / _STORE, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=NORMAL")  # what a power loss takes is judged again
            layout = self._db.execute("PRAGMA user_version").fetchone()[0]
            if layout not in (0, _LAYOUT):
                raise InputError(str(folder), f"a fleet of layout {_LAYOUT}", f"layout {layout}", "Name another.")
            self._db.executescript(_TABLES)
            self._db.execute(f"PRAGMA user_version={_LAYOUT}")
        except sqlite3.Error as error:
            self._lock.close()
            raise InputError(
                str(folder / _STORE), "the store of a fleet", str(error), "Take it away: all is judged again."
            ) from error

    def begin_listing(self) -> None:
        """Forget what was listed before; what was judged stays."""
        self._db.execute("BEGIN")
        self._db.execute("DELETE FROM listed")

    def list_capture(self, number: int, capture: FleetCapture, beside: str, n_bytes: int) -> None:
        """Add one line; `beside` stands for all that it is judged with."""
        self._db.execute(
            "INSERT INTO listed VALUES (?, ?, ?, ?, NULL, NULL, '', ?)",
            (number, capture.as_text(), capture.machine, beside, n_bytes),
        )

    def end_listing(self) -> None:
        """Keep the list."""
        self._db.execute("COMMIT")

    def waiting(self) -> Iterator[tuple[int, FleetCapture, str, int]]:
        """Yield (number, capture, beside, bytes) of every line that nothing is known of yet, in order.

        Lines may be settled in between; memory does not grow with their number.
        """
        last = -1
        while rows := self._db.execute(
            "SELECT number, capture, beside, n_bytes FROM listed WHERE number > ? AND outcome IS NULL "
            "ORDER BY number LIMIT 256",
            (last,),
        ).fetchall():
            for number, text, beside, n_bytes in rows:
                yield number, FleetCapture.from_text(text), beside, n_bytes
            last = rows[-1][0]

    def known_content(self, address: str, stamp: str | None) -> str | None:
        """Give the content of an address whose stamp has not changed since it was read; None: it must be read."""
        row = self._db.execute(
            "SELECT content FROM stamps WHERE address = ? AND stamp = ?", (address, stamp or "")
        ).fetchone()
        return None if row is None else str(row[0])

    def has_judged_of_size(self, n_bytes: int) -> bool:
        """Whether anything of exactly so many bytes was judged: then it may be the same under another name."""
        found = self._db.execute("SELECT 1 FROM judged WHERE n_bytes = ? LIMIT 1", (n_bytes,)).fetchone()
        return found is not None

    def settle_known(self, number: int, content: str, beside: str, reports: Reports) -> bool:
        """Settle a line with what was judged before, where that is whole; whether it was."""
        row = self._db.execute(
            "SELECT outcome, sentence, body, verdict, report FROM judged WHERE content = ? AND beside = ?",
            (content, beside),
        ).fetchone()
        if row is None or row[0] == Outcome.FAILED:
            return False
        outcome, sentence, body, verdict, report = row
        if outcome == Outcome.JUDGED:
            wanted = reports is Reports.ALL or (reports is Reports.TROUBLE and unpacked(body)["capture"]["trouble"])
            if (wanted and report is None) or not all(
                (self.folder / one).is_file() for one in (verdict, report) if one
            ):
                return False
        self._settle(number, content, outcome, sentence)
        return True

    def settle(self, number: int, capture: FleetCapture, beside: str, judged: Judged, stamp: str | None) -> None:
        """Keep what came of one capture: its files first, then its row.

        Raises
        ------
        InputError : the folder cannot be written
        """
        verdict = report = None
        if judged.outcome is Outcome.JUDGED and judged.content is not None:
            stem = self._stem(capture, judged.content, beside)
            verdict = f"{stem}.json"
            write_text(self.folder / verdict, judged.document)
            if judged.report:
                report = f"{stem}.html"
                write_text(self.folder / report, judged.report)
        try:
            self._db.execute("BEGIN")
            if judged.content is not None:
                self._db.execute(
                    "INSERT OR REPLACE INTO judged VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        judged.content,
                        beside,
                        str(judged.outcome),
                        judged.sentence,
                        judged.body or None,
                        verdict,
                        report,
                        judged.n_bytes,
                    ),
                )
                if stamp is not None:
                    self._db.execute(
                        "INSERT OR REPLACE INTO stamps VALUES (?, ?, ?)", (capture.address, stamp, judged.content)
                    )
            self._settle(number, judged.content, judged.outcome, judged.sentence)
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise InputError(
                str(self.folder / _STORE), "a store that can be written", str(error), "Make room, and run it again."
            ) from error

    def counts(self) -> dict[Outcome | None, int]:
        """Give how many lines have each outcome; None: not come to."""
        rows = self._db.execute("SELECT outcome, count(*) FROM listed GROUP BY outcome").fetchall()
        return {None if outcome is None else Outcome(outcome): n for outcome, n in rows}

    def total_bytes(self) -> tuple[int, int]:
        """Give the bytes of all lines, and of those that are settled."""
        row = self._db.execute(
            "SELECT coalesce(sum(n_bytes), 0), coalesce(sum(CASE WHEN outcome IS NOT NULL THEN n_bytes END), 0) "
            "FROM listed"
        ).fetchone()
        return int(row[0]), int(row[1])

    def machines(self) -> list[str]:
        """Name the machines, sorted."""
        return [name for (name,) in self._db.execute("SELECT DISTINCT machine FROM listed ORDER BY machine")]

    def lines(self, machine: str | None = None) -> Iterator[Listed]:
        """Yield every line, or those of one machine, by machine and number; one at a time."""
        with closing(self._db.cursor()) as cursor:
            cursor.execute(
                "SELECT l.number, l.capture, l.outcome, l.sentence, l.content, j.body, j.verdict, j.report, "
                "(SELECT min(o.number) FROM listed o WHERE o.content = l.content AND o.number < l.number "
                "AND o.outcome = 'judged') "
                "FROM listed l LEFT JOIN judged j ON j.content = l.content AND j.beside = l.beside "
                "WHERE ?1 IS NULL OR l.machine = ?1 ORDER BY l.machine, l.number",
                (machine,),
            )
            for number, text, outcome, sentence, content, body, verdict, report, same_as in cursor:
                yield Listed(
                    number=number,
                    capture=FleetCapture.from_text(text),
                    outcome=None if outcome is None else Outcome(outcome),
                    sentence=sentence,
                    content=content,
                    same_as=self._counted_before(content, number) if same_as and outcome == Outcome.JUDGED else None,
                    body=None if body is None or outcome != Outcome.JUDGED else unpacked(body),
                    verdict=verdict,
                    report=report,
                )

    def _counted_before(self, content: str, number: int) -> int | None:
        """Give the first line with the same content that counts: one with another machine's map does not."""
        with closing(self._db.cursor()) as cursor:
            cursor.execute(
                "SELECT l.number, j.body FROM listed l JOIN judged j ON j.content = l.content AND j.beside = l.beside "
                "WHERE l.content = ? AND l.number < ? AND l.outcome = 'judged' ORDER BY l.number",
                (content, number),
            )
            return next((int(k) for k, body in cursor if not unpacked(body)["capture"]["doubted"]), None)

    def capture(self, number: int) -> FleetCapture:
        """Give the capture of a line."""
        (text,) = self._db.execute("SELECT capture FROM listed WHERE number = ?", (number,)).fetchone()
        return FleetCapture.from_text(text)

    def close(self) -> None:
        """Let go of the folder; of a new fleet in which nothing was settled, nothing is left."""
        try:
            settled = self._db.execute("SELECT 1 FROM listed WHERE outcome IS NOT NULL LIMIT 1").fetchone()
            leaves_nothing = self._is_new and settled is None
        except sqlite3.Error:  # a full disk, say: what is there may be of use
            leaves_nothing = False
        self._db.close()
        if leaves_nothing:
            self._take_away()
        self._lock.close()

    def _take_away(self) -> None:
        """Delete what this process made: the store, then the lock, while it is held where the system allows that."""
        for name in (_STORE, f"{_STORE}-wal", f"{_STORE}-shm", _LOCK):
            with contextlib.suppress(OSError):
                (self.folder / name).unlink(missing_ok=True)
        self._lock.close()
        with contextlib.suppress(OSError):  # Windows deletes no open file; a folder with anything in it stays
            (self.folder / _LOCK).unlink(missing_ok=True)
            for folder in self._made_folders:
                folder.rmdir()

    def _settle(self, number: int, content: str | None, outcome: str, sentence: str) -> None:
        self._db.execute(
            "UPDATE listed SET content = ?, outcome = ?, sentence = ? WHERE number = ?",
            (content, str(outcome), sentence, number),
        )

    def _stem(self, capture: FleetCapture, content: str, beside: str) -> str:
        """Name the files of a capture after its machine and itself; the hash keeps two of one name apart."""
        name = Path(capture.files[0].replace("://", "/")).name.split(".")[0]
        mark = f"{content[:8]}{beside[:4]}"
        return f"captures/{plain_name(capture.machine)}/{plain_name(name)}-{mark}"


def plain_name(name: str) -> str:
    """Give a name that any disk takes; where more than spaces had to go, with a mark that keeps two alike apart.

    >>> plain_name("Street sweeper"), plain_name("wing: left/2"), plain_name("..")
    ('Street-sweeper', 'wing-left-2-1bfd', 'x-5ec1')
    """
    plain = _ODD.sub("-", name).strip(".-")[:60] or "x"
    return plain if plain == name.replace(" ", "-") else f"{plain}-{hashlib.sha256(name.encode()).hexdigest()[:4]}"
