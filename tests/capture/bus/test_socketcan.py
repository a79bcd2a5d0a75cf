"""What the operating system says of a CAN interface; its words from iproute2, ip/iplink_can.c."""

import errno
import json
import os
import sys
from pathlib import Path

import can
import pytest

from busdoc.capture.bus import adapter
from busdoc.capture.bus.address import parse_bus
from busdoc.capture.bus.link import UNKNOWN, LinkFacts, LinkWatch, facts_from_json, link_facts, lost_at_once
from busdoc.errors import BusError, InputError


def answer(*, kind: str = "can", modes: object = (), bitrate: object = 250_000) -> str:
    data = {"state": "ERROR-ACTIVE", "restart_ms": 0, "bittiming": {"bitrate": bitrate, "sample_point": "0.875"}}
    if modes:
        data["ctrlmode"] = modes
    return json.dumps([{"ifname": "can0", "linkinfo": {"info_kind": kind, "info_data": data}}])


@pytest.mark.parametrize(
    ("text", "facts"),
    [
        (answer(modes=["LISTEN-ONLY"]), LinkFacts(is_real=True, bitrate=250_000, listen_only=True)),
        (answer(modes=["LOOPBACK", "FD"]), LinkFacts(is_real=True, bitrate=250_000, listen_only=False)),
        (answer(), LinkFacts(is_real=True, bitrate=250_000, listen_only=False)),
        (answer(bitrate=0), LinkFacts(is_real=True, listen_only=False)),
        (answer(kind="vcan"), LinkFacts(is_real=False)),
        (answer(kind="slcan"), LinkFacts()),
        (answer(modes="odd"), LinkFacts(is_real=True, bitrate=250_000, listen_only=None)),
        ("[]", UNKNOWN),
        ('[{"linkinfo": null}]', UNKNOWN),
        ("Device does not exist", UNKNOWN),
    ],
)
def test_the_answer_is_read_and_what_is_odd_in_it_is_not_known(text: str, facts: LinkFacts) -> None:
    assert facts_from_json(text) == facts


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux is asked")
def test_the_system_is_asked_for_the_interface_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "ip"
    text = answer(modes=["LISTEN-ONLY"], bitrate=500_000)
    program.write_text(f"#!/bin/sh\n[ \"$6\" = can7 ] && cat <<'END'\n{text}\nEND\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    assert link_facts("can7") == LinkFacts(is_real=True, bitrate=500_000, listen_only=True)
    assert link_facts("can8") == UNKNOWN


@pytest.mark.parametrize("name", ["", "can0; reboot", "../x", "a" * 16, "-help me"])
def test_a_name_that_no_interface_can_have_is_not_asked_for(name: str) -> None:
    assert link_facts(name) == UNKNOWN


class ScriptedLink:
    """Stands for an interface in the state that a test gives it."""

    def __init__(self, trouble: str = "", *, is_there: bool = True) -> None:
        self.is_there = is_there
        self._trouble = trouble

    def trouble(self) -> str:
        return self._trouble

    def close(self) -> None:
        pass


def opening(monkeypatch: pytest.MonkeyPatch, link: ScriptedLink, facts: LinkFacts, bus: str) -> None:
    monkeypatch.setattr(adapter, "LinkWatch", lambda _: link)
    monkeypatch.setattr(adapter, "link_facts", lambda _: facts)
    adapter.open_adapter(parse_bus(bus))


def test_a_bit_rate_that_contradicts_the_interfaces_is_an_error_that_names_both(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    facts = LinkFacts(is_real=True, bitrate=250_000, listen_only=True)
    with pytest.raises(InputError, match=r"expected can0 at 500 kbit/s, found it at 250 kbit/s\. Leave @500000 out"):
        opening(monkeypatch, ScriptedLink(), facts, "socketcan:can0@500k")


@pytest.mark.parametrize(
    ("link", "facts", "words"),
    [
        (ScriptedLink("gone", is_there=False), UNKNOWN, "can0 is not there"),
        (ScriptedLink("down"), LinkFacts(is_real=False), "can0 is down; as administrator: ip link set can0 up"),
        (
            ScriptedLink("down"),
            LinkFacts(is_real=True, listen_only=False),
            "can0 is down and has no bit rate; as administrator: ip link set can0 down && ip link set can0 type can "
            "bitrate 125000 listen-only on && ip link set can0 up",
        ),
    ],
)
def test_an_interface_that_is_not_up_is_not_opened(
    link: ScriptedLink, facts: LinkFacts, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(BusError) as raised:
        opening(monkeypatch, link, facts, "socketcan:can0@125k")
    assert words in str(raised.value)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux is asked")
def test_an_interface_is_looked_at_by_its_name_and_number() -> None:
    """The loopback interface is there and up on every Linux."""
    up, gone = LinkWatch("lo"), LinkWatch("nosuchcan0")
    assert (up.is_there, up.trouble()) == (True, "")
    assert (gone.is_there, "is not there" in gone.trouble()) == (False, True)
    up.close()
    gone.close()


@pytest.mark.parametrize(
    ("error", "is_lost"),
    [
        (can.CanOperationError("Error receiving: Network is down", errno.ENETDOWN), True),
        (OSError(errno.ENODEV, "No such device"), True),
        (can.CanOperationError("garbled"), False),
        (ValueError("garbled"), False),
    ],
)
def test_what_a_socket_says_once_of_an_interface_that_is_gone_is_known(error: Exception, is_lost: bool) -> None:
    assert lost_at_once(error) is is_lost
