"""What the operating system says of a CAN interface; its words from iproute2, ip/iplink_can.c."""

import json
import os
import sys
from pathlib import Path

import pytest

from busdoc.capture.bus.link import UNKNOWN, LinkFacts, facts_from_json, link_facts


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
