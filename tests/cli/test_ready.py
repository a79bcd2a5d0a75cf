"""`busdoc ready`: what would go wrong with this laptop at the machine; each thing judged by what was found."""

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

import can
import pytest
from jsonschema import Draft202012Validator

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.link import LinkFacts
from busdoc.cli.first_minute import adapters, laptop
from busdoc.cli.first_minute.document import SCHEMA, ready_document
from busdoc.cli.first_minute.finding import Finding, Standing
from busdoc.cli.first_minute.ready import told
from busdoc.errors import BusError
from tests.capture.sending_double import count_sending
from tests.documents import held, held_to_schema, schema
from tests.typed import Run

BERLIN = timezone(timedelta(hours=1), "CET")


@pytest.mark.parametrize(
    ("free_bytes", "writable", "standing", "said"),
    [
        (70 * 10**9, True, "well", "70.0 GB free"),
        (10**9, True, "mind", "about 5 h of a full bus"),
        (4 * 10**8, True, "wrong", "recording pauses"),
        (70 * 10**9, False, "wrong", "nothing can be written"),
    ],
)
def test_room_on_the_disk(free_bytes: int, writable: bool, standing: str, said: str) -> None:
    found = laptop.disk(Path("here"), free_bytes, writable=writable)
    assert (str(found.standing), said in found.text) == (standing, True)


def test_a_clock_of_long_ago_would_go_wrong_and_one_that_nobody_keeps_is_minded() -> None:
    now = datetime(2026, 3, 2, 8, 14, tzinfo=BERLIN)
    assert laptop.clock(now, "CET", synchronised=True).text.startswith("2026-03-02 08:14:00 CET, 07:14:00 UTC")
    assert laptop.clock(now, "CET", synchronised=False).standing is Standing.MIND
    assert laptop.clock(now.replace(year=2009), "CET", synchronised=True).standing is Standing.WRONG


@pytest.mark.parametrize(
    ("columns", "rows", "is_one", "marks", "term", "said"),
    [
        (160, 50, True, True, "xterm", "160 columns"),
        (79, 24, True, True, "xterm", "wants 80 by 24"),
        (100, 30, True, False, "xterm", "plain letters"),
        (100, 30, True, True, "dumb", "moves no cursor"),
        (100, 30, False, True, "xterm", "a file or a pipe"),
    ],
)
def test_the_terminal(columns: int, rows: int, is_one: bool, marks: bool, term: str, said: str) -> None:
    found = laptop.terminal(columns, rows, "utf-8", is_one=is_one, marks=marks, environ={"TERM": term})
    assert said in found.text
    assert (found.standing is Standing.WELL) == (columns == 160)


def test_the_battery_is_read_as_linux_tells_it(tmp_path: Path) -> None:
    for name, lines in {
        "BAT0": {"type": "Battery", "capacity": "41"},
        "AC": {"type": "Mains", "online": "0"},
        "mouse": {"type": "Battery", "scope": "Device", "capacity": "90"},
    }.items():
        (tmp_path / name).mkdir()
        for file, text in lines.items():
            (tmp_path / name / file).write_text(text + "\n", encoding="ascii")
    assert laptop.read_battery(tmp_path) == (41, False)
    assert laptop.read_battery(tmp_path / "nowhere") == (None, None)
    assert laptop.battery(41, on_mains=False).standing is Standing.MIND
    assert laptop.battery(41, on_mains=True).standing is Standing.WELL
    assert laptop.battery(None, on_mains=None).standing is Standing.WELL


def standings(found: Sequence[Finding]) -> list[str]:
    return [str(one.standing) for one in found]


def test_each_adapter_is_told_with_what_keeps_it_silent() -> None:
    facts = {"can0": LinkFacts(bitrate=250_000, listen_only=False, is_real=True)}
    found = list(
        adapters.found_adapters(
            [("pcan", "PCAN_USBBUS1"), ("serial", "COM5"), ("gs_usb", "0")], facts_of=lambda name: facts[name]
        )
    )
    assert standings(found) == ["well", "well", "mind"]
    assert "slcan:COM5@250000" in found[0].advice
    assert "will be told to listen only" in found[1].text
    assert "acknowledges frames" in found[2].text


def test_an_interface_that_is_down_comes_with_the_commands_that_help() -> None:
    (found,) = adapters.found_adapters([("socketcan", "can97")], facts_of=lambda _: LinkFacts(is_real=True))
    assert found.standing is Standing.WRONG
    assert "listen-only on" in found.advice


def test_without_an_adapter_it_says_so() -> None:
    assert standings(list(adapters.found_adapters([]))) == ["mind"]


def virtual(address: BusAddress) -> OpenAdapter:
    return OpenAdapter(
        adapter=can.Bus("ready", interface="virtual"), interface="virtual", bitrate=None, listen_only=None, note=""
    )


def test_a_bus_that_is_named_is_opened_and_heard() -> None:
    address = BusAddress(interface="virtual", channel="ready")
    with can.Bus("ready", interface="virtual") as speaking:

        def opened(address: BusAddress) -> OpenAdapter:
            one = virtual(address)
            speaking.send(can.Message(arbitration_id=0x123))
            return one

        assert standings(list(adapters.heard_on(address, opened))) == ["well"]
    silent = list(adapters.heard_on(address, virtual, turns=1))
    assert standings(silent) == ["well", "mind"]
    assert "no frame came" in silent[1].text


def test_a_bus_that_does_not_open_would_go_wrong() -> None:
    def refused(_: BusAddress) -> OpenAdapter:
        raise BusError("pcan does not open: not plugged in.")

    (found,) = adapters.heard_on(BusAddress(interface="pcan", channel=None), refused)
    assert (found.standing, found.text) == (Standing.WRONG, "pcan does not open: not plugged in.")


@pytest.mark.parametrize("width", [40, 80])
def test_the_text_ends_with_the_answer_and_keeps_its_width(width: int) -> None:
    findings = [
        laptop.python((3, 12, 1), "Linux 6.1, x86_64"),
        laptop.disk(Path("here"), 10, writable=True),
        laptop.battery(20, on_mains=False),
    ]
    text = told(findings, width)
    assert "Not ready: 1 thing" in text
    assert max(map(len, text.splitlines())) <= width
    assert told(findings[:1], width).endswith("Ready.\n")


def test_the_document_says_what_the_text_says_and_holds_to_its_schema(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(adapters, "plugged_in", lambda: [("serial", "COM5"), ("pcan", "PCAN_USBBUS1")])
    status, out, err = run("ready", "--json")
    tree = held_to_schema(out, "busdoc-ready-1")
    assert (err, tree["schema"], tree["ready"]) == ("", SCHEMA, status == 0)
    plain = " ".join(run("ready")[1].split())
    assert tree["headline"] in plain
    assert [one["about"] for one in tree["findings"]].count("adapters") == 2
    for one in tree["findings"]:
        if one["about"] not in ("clock", "disk"):  # what they say changes by itself
            assert " ".join(f"{one['standing']} {one['about']} {one['text']}".split()) in plain
            assert " ".join((one["advice"] or "").split()) in plain


def test_a_document_of_what_would_go_wrong_is_not_ready() -> None:
    tree = held(ready_document([laptop.disk(Path("here"), 10, writable=True)], "1"), "busdoc-ready-1")
    assert (tree["ready"], tree["headline"]) == (False, "Not ready: 1 thing would go wrong at the machine.")
    assert not Draft202012Validator(schema("busdoc-ready-1")).is_valid({**tree, "ready": None})


def test_the_command_looks_sends_nothing_and_ends_well(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adapters, "plugged_in", lambda: [("pcan", "PCAN_USBBUS1")])
    sent = count_sending(monkeypatch)
    status, out, err = run("ready")
    assert (err, sent.n) == ("", 0)
    assert {line.split()[1] for line in out.splitlines() if line[:4] in ("well", "mind")} >= {
        *("python", "parts", "adapters", "disk", "clock", "power", "terminal", "fonts")
    }
    assert status == 0
