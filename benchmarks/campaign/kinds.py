"""What is damaged: for each kind of input a healthy set of files, which of them is spoilt, and what is typed."""

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from busdoc.actions.action import ActionKind
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_capture
from busdoc.capture.source import open_capture
from busdoc.cli.environment import Surroundings
from busdoc.cli.main import main
from busdoc.session.folder import SessionFolder
from busdoc.session.logbook import Logbook

__all__ = ["KINDS", "Kind"]

ROOT = Path(__file__).resolve().parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of input."""

    files: Callable[[], Mapping[str, bytes]]
    """The healthy files by name, with / between folders."""
    spoilt: tuple[str, ...]
    """Those of which one is damaged each time."""
    words: tuple[str, ...]
    """What is typed, `{}` for the folder of the files."""
    share: int = 1
    """How many of the inputs are of this kind, beside the others."""


def _capture(suffix: str) -> Kind:
    name = f"c{suffix}"

    def files() -> dict[str, bytes]:
        block = next(open_capture([SWEEPER / "capture.log.gz"]).blocks()).slice(0, 40)
        channels = ChannelTable()
        channels.number("can0")
        with TemporaryDirectory() as folder:
            write_capture(Path(folder) / name, [block], channels)
            return {name: (Path(folder) / name).read_bytes()}

    return Kind(files=files, spoilt=(name,), words=("postmortem", f"{{}}/{name}"), share=3 if suffix == ".mf4" else 6)


def _few_frames(n_frames: int = 120) -> bytes:
    """Give the first frames of the street sweeper, as text."""
    import gzip

    lines = gzip.decompress((SWEEPER / "capture.log.gz").read_bytes()).splitlines(keepends=True)
    return b"".join(lines[:n_frames])


def _beside(name: str, content: Callable[[], bytes], *option: str, share: int = 4) -> Kind:
    """Give an input that is read beside a capture."""

    def files() -> dict[str, bytes]:
        return {"c.log": _few_frames(), name: content()}

    return Kind(files=files, spoilt=(name,), words=("postmortem", "{}/c.log", *option), share=share)


def _packed() -> bytes:
    import gzip

    return gzip.compress(_few_frames(), 6)


def _converted(suffix: str) -> bytes:
    """Give the street sweeper's database in another format, by cantools."""
    import cantools

    with TemporaryDirectory() as folder:
        path = Path(folder) / f"d{suffix}"
        database = cantools.database.load_file(DATABASE)
        assert isinstance(database, cantools.database.Database)
        cantools.database.dump_file(database, path)
        return path.read_bytes()


def _verdict() -> bytes:
    out = io.StringIO()
    words = ["postmortem", str(SWEEPER / "capture.log.gz"), "--machine", str(SWEEPER / "machine.toml"), "--json"]
    main([*words, "--actions", str(SWEEPER / "actions.csv")], Surroundings(stdout=out, stderr=io.StringIO()))
    return out.getvalue().encode("utf-8")


def _session() -> dict[str, bytes]:
    with TemporaryDirectory() as place:
        path = Path(place) / "s"
        folder = SessionFolder(path, machine_file=SWEEPER / "machine.toml", databases=[DATABASE])
        channels = ChannelTable()
        channels.number("can0")
        folder.recorder(channels).write(next(open_capture([SWEEPER / "capture.log.gz"]).blocks()).slice(0, 400))
        log = Logbook(folder.store, lambda: 0)
        for part in ("harness-A", "harness-B"):
            log.act(ActionKind.UNPLUG, part, None, time_ns=10**18, uncertainty_ns=1)
        folder.close()
        return {
            f"s/{file.relative_to(path).as_posix()}": file.read_bytes() for file in path.rglob("*") if file.is_file()
        }


def _scenario() -> dict[str, bytes]:
    folder = ROOT / "captures" / "sweeper_segment"
    names = {"scenario.toml": folder, "machine.toml": SWEEPER, "street_sweeper.dbc": DATABASE.parent}
    files = {name: (place / name).read_bytes() for name, place in names.items()}
    # no more than some seconds of it: what is damaged is how it is read
    text = files["scenario.toml"].decode("utf-8").replace("../street_sweeper/", "")
    return files | {"scenario.toml": text.replace("../../dbc_examples/", "").encode("utf-8")}


KINDS: Mapping[str, Kind] = {
    **{f"capture {suffix}": _capture(suffix) for suffix in (".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4")},
    "capture .log.gz": Kind(
        files=lambda: {"c.log.gz": _packed()}, spoilt=("c.log.gz",), words=("postmortem", "{}/c.log.gz"), share=6
    ),
    "map": _beside("m.toml", (SWEEPER / "machine.toml").read_bytes, "--machine", "{}/m.toml"),
    "journal": _beside("a.csv", (SWEEPER / "actions.csv").read_bytes, "--actions", "{}/a.csv"),
    "database .dbc": _beside("d.dbc", DATABASE.read_bytes, "--db", "{}/d.dbc", share=3),
    "database .kcd": _beside("d.kcd", lambda: _converted(".kcd"), "--db", "{}/d.kcd", share=2),
    "database .sym": _beside("d.sym", lambda: _converted(".sym"), "--db", "{}/d.sym", share=2),
    "verdict": Kind(
        files=lambda: {"v.json": _verdict(), "c.log": _few_frames()},
        spoilt=("v.json",),
        words=("resync", "--watch", "auto", "--after", "{}/v.json", "--replay", "{}/c.log", "--speed", "max"),
        share=4,
    ),
    "scenario": Kind(
        files=_scenario,
        spoilt=("scenario.toml", "machine.toml"),
        words=("simulate", "{}/scenario.toml", "-o", "{}/out"),
        share=3,
    ),
    "session": Kind(
        files=_session,
        spoilt=("s/session.sqlite", "s/machine.toml", "s/recording/gaps.csv", "s/recording/recording-0001.log.gz"),
        words=("postmortem", "{}/s", "--tables", "{}/tables"),
        share=2,
    ),
}
"""By name."""
