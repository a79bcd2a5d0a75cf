"""Thousands of damaged database files: each loads, or is refused in one sentence; nothing else."""

import random
from pathlib import Path

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import load_databases
from busdoc.decode.signals.signals import decode
from busdoc.errors import InputError

DBC = """VERSION ""

BS_:

BU_: pump tank

BO_ 385 Status: 8 pump
 SG_ Branch M : 0|2@1+ (1,0) [0|3] "" tank
 SG_ Pressure m0 : 15|16@0- (0.1,-5) [-5|250] "bar" tank
 SG_ Level m1 : 8|32@1- (1,0) [0|0] "°C" tank

BO_ 2566860033 Engine: 8 pump
 SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" tank

CM_ SG_ 385 Pressure "At the outlet.";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 385 250;
VAL_ 385 Branch 0 "OFF" 1 "RUN" ;
SIG_VALTYPE_ 385 Level : 1;
SG_MUL_VAL_ 385 Level Branch 1-2;
"""

KCD = """<?xml version="1.0" encoding="UTF-8"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Document name="pump"/>
  <Node id="1" name="pump"/>
  <Bus name="main">
    <Message id="0x181" length="8" name="Status" interval="250">
      <Producer><NodeRef id="1"/></Producer>
      <Multiplex name="Branch" offset="0" length="2">
        <MuxGroup count="0"><Signal name="Pressure" offset="8" length="16" endianess="big"/></MuxGroup>
      </Multiplex>
      <Signal name="Level" offset="32" length="32"><Value type="single" slope="0.5" unit="°C"/></Signal>
    </Message>
  </Bus>
</NetworkDefinition>
"""

SYM = """FormatVersion=6.0 // Do not edit this line!
Title="pump"

{ENUMS}
Enum=State(0="OFF", 1="RUN")

{SIGNALS}
Sig=Pressure signed 16 /u:bar /f:0.1 /o:-5
Sig=Level float

{SENDRECEIVE}

[Status]
ID=181h
Len=8
CycleTime=250
Sig=Pressure 0
Sig=Level 32
"""

SEEDS = {".dbc": DBC, ".kcd": KCD, ".sym": SYM}
PIECES = [
    "0",
    "-1",
    "99999999999",
    "1e999",
    "nan",
    '"',
    ";",
    "|",
    "@",
    "(",
    ")",
    "\n",
    "\0",
    "é",
    "<",
    ">",
    "&",
    "M",
    "m1M",
]
N_EACH = 800


def mutate(text: str, chance: random.Random) -> bytes:
    """Damage a text in one to four places: characters, pieces, numbers, lines, or its end."""
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(text) + 1)
        kind = chance.randrange(7)
        lines = text.split("\n")
        if kind == 0:
            text = text[:at] + chance.choice(PIECES) + text[at:]
        elif kind == 1:
            text = text[:at] + text[at + chance.randint(1, 12) :]
        elif kind == 2:
            digits = [place for place, character in enumerate(text) if character.isdigit()]
            place = chance.choice(digits) if digits else 0
            text = (
                text[:place]
                + str(chance.choice((0, 1, 7, 8, 63, 64, 65, 255, 2**29, 2**32, 2**70)))
                + text[place + 1 :]
            )
        elif kind == 3:
            lines.insert(chance.randrange(len(lines)), chance.choice(lines))
            text = "\n".join(lines)
        elif kind == 4:
            lines.pop(chance.randrange(len(lines)))
            text = "\n".join(lines) or " "
        elif kind == 5:
            chance.shuffle(lines)
            text = "\n".join(lines)
        else:
            text = text[:at] or " "
    raw = bytearray(text.encode("utf-8"))
    if raw and chance.random() < 0.2:
        raw[chance.randrange(len(raw))] = chance.randrange(256)
    return bytes(raw)


def frames_of(frame_id: int) -> FrameBlock:
    """Make a few frames to decode, since a file that loads must be fit to decode with."""
    n = 4
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.full(n, frame_id, np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.array([8, 8, 3, 0], np.uint8),
        data=np.repeat(np.array([[0], [255], [0x5A], [0]], np.uint8), 8, axis=1),
    )


@pytest.mark.parametrize("suffix", sorted(SEEDS))
def test_damaged_files_load_or_are_refused_in_a_sentence(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"damaged{suffix}"
    refusals: list[str] = []
    n_loaded = 0
    for seed in range(N_EACH):
        path.write_bytes(mutate(SEEDS[suffix], random.Random(seed)))
        try:
            database = load_databases([path])
        except InputError as error:
            refusals.append(str(error))
            continue
        n_loaded += 1
        for message in database.messages:
            decode(message, frames_of(message.frame_id), np.arange(4))
    assert [said for said in refusals if not said.startswith(str(path)) or "\n" in said or len(said) > 600] == []
    assert len(refusals) > N_EACH / 20
    assert n_loaded > N_EACH / 20


@pytest.mark.parametrize("suffix", sorted(SEEDS))
def test_the_undamaged_file_loads_whole(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"sound{suffix}"
    path.write_text(SEEDS[suffix], encoding="utf-8")
    database = load_databases([path])
    assert database.warnings == ()
    assert {message.name for message in database.messages} >= {"Status"}
    assert len(database.messages[0].signals) >= 2
