"""Broken captures, maps, journals and databases through the command: a result, or one clear sentence and status 2."""

import gzip
import io
import json
import random
import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any, NoReturn

import jsonschema
import pytest

from busdoc.cli.environment import ExitStatus, Surroundings
from busdoc.cli.main import main

ROOT = Path(__file__).parents[2]
MACHINES = {"street_sweeper": "street_sweeper.dbc", "straddle_carrier": "straddle_carrier.dbc"}
SEEDS = range(60)

WORDS = ['"', "\0", "é", "🚜", "-", "9", "[", "]", "=", ",", "\n", "inf", "nan", "1e400", "#", "0x", "\u202e", " "]
NUMBERS = ["0", "-1", "99999999999999999999", "1e308", "nan", "0.0000001"]
HEX = b"0123456789ABCDEF"
PROTOCOL_IDS = [b"18ECFF31", b"18EBFF31", b"18FECA31", b"18EEFF31", b"081", b"708", b"088", b"1CECFF08", b"19F01108"]
ERROR_IDS = [b"20000040", b"20000004", b"200000FF", b"2000008C"]


@pytest.fixture(scope="module")
def captures() -> dict[str, list[bytes]]:
    """The bundled captures, line by line."""
    return {
        name: gzip.decompress((ROOT / "captures" / name / "capture.log.gz").read_bytes()).splitlines(keepends=True)
        for name in MACHINES
    }


def insert_word(draw: random.Random, line: str) -> str:
    at = draw.randrange(len(line) + 1)
    return line[:at] + draw.choice(WORDS) + line[at:]


def change_numbers(draw: random.Random, line: str) -> str:
    return re.sub(r"\d+(\.\d+)?", lambda number: draw.choice([number.group(), *NUMBERS]), line)


def cut_line(draw: random.Random, line: str) -> str:
    return line[: draw.randrange(len(line) + 1)]


def swap_texts(draw: random.Random, line: str) -> str:
    pieces = line.split('"')
    draw.shuffle(pieces)
    return '"'.join(pieces)


def name_another(draw: random.Random, line: str) -> str:
    return line.replace("harness", "hopper").replace("fuse", "harness")


BREAKS: list[Callable[[random.Random, str], str]] = [insert_word, change_numbers, cut_line, swap_texts, name_another]


def broken_text(draw: random.Random, text: str) -> bytes:
    """Break a map, journal or database in a few places."""
    lines = text.splitlines(keepends=True)
    for _ in range(draw.randrange(0, 4)):
        at = draw.randrange(len(lines))
        if draw.random() < 0.2:
            lines.insert(at, lines.pop(draw.randrange(len(lines))))
        elif draw.random() < 0.2:
            lines.insert(at, lines[draw.randrange(len(lines))])
        else:
            lines[at] = draw.choice(BREAKS)(draw, lines[at])
    encoding = "utf-16" if draw.random() < 0.04 else "utf-8"
    return "".join(lines).encode(encoding)


def payload(draw: random.Random, n_bytes: int) -> bytes:
    return bytes(draw.choice(HEX) for _ in range(2 * n_bytes))


def broken_capture(draw: random.Random, lines: list[bytes]) -> bytes:
    """Take a stretch of a capture and break it in up to three ways."""
    start = draw.randrange(len(lines))
    part = lines[start : start + draw.choice([1, 2, 5, 50, 500, 3000])]
    for way in draw.sample(range(9), draw.randrange(4)):
        if way == 0:
            part = [line for line in part if draw.random() < 0.9]
        elif way == 1:
            draw.shuffle(part)
        elif way == 2:
            part = part * 2
        elif way == 3:
            part = [line if draw.random() > 0.02 else draw.randbytes(draw.randrange(60)) + b"\n" for line in part]
        elif way == 4:
            times = [b"(99", b"(00", b"(-17", b"(17999999999999"]
            part = [line if draw.random() > 0.01 else line.replace(b"(17", draw.choice(times)) for line in part]
        elif way == 5:
            part = [line.replace(b"can0", draw.choice([b"can0", b"can1", b"vcan17"])) for line in part]
        elif way == 6:
            part = [line.replace(b"#", b"##5", 1) if draw.random() < 0.3 else line for line in part]
        elif way == 7:
            part = [
                b"(1772435678.%06d) can0 %s#%s\n" % (k, draw.choice(ERROR_IDS), payload(draw, 8)) for k in range(50)
            ]
        else:
            body = [(draw.choice(PROTOCOL_IDS), payload(draw, draw.randrange(9))) for _ in part]
            part = [b"(1772435678.%06d) can0 %s#%s\n" % (k, *one) for k, one in enumerate(body)]
    return b"".join(part)


def broken_command(draw: random.Random, captures: dict[str, list[bytes]], folder: Path) -> list[str]:
    """Write broken files; give the command that reads them."""
    frames_of, machine = draw.choice(list(MACHINES)), draw.choice(list(MACHINES))
    content = broken_capture(draw, captures[frames_of])
    capture = folder / "capture.log"
    if draw.random() < 0.2:
        capture = folder / "capture.log.gz"
        content = gzip.compress(content)
        content = content[: draw.randrange(1, len(content))]
    capture.write_bytes(content)
    words = ["postmortem", str(capture), "--json"]
    for option, source in (
        ("--machine", ROOT / "captures" / machine / "machine.toml"),
        ("--actions", ROOT / "captures" / machine / "actions.csv"),
        ("--db", ROOT / "dbc_examples" / MACHINES[machine]),
    ):
        if draw.random() < 0.6:
            broken = folder / source.name
            broken.write_bytes(broken_text(draw, source.read_text(encoding="utf-8")))
            words += [option, str(broken)]
    return words


def refuse_constant(text: str) -> NoReturn:
    raise AssertionError(f"{text} is no number of JSON (RFC 8259, 6)")


def without_loads(tree: dict[str, Any]) -> dict[str, Any]:
    """Leave the bus loads out: above 1 where the map names too low a bit rate, which a warning says."""
    for channel in tree["capture"]["channels"]:
        channel |= {"load": None, "peak_load": None}
    return tree


@pytest.fixture(scope="module")
def schema() -> jsonschema.Draft202012Validator:
    text = files("busdoc.report.json").joinpath("schema/busdoc-verdict-1.json").read_text(encoding="utf-8")
    return jsonschema.Draft202012Validator(json.loads(text))


@pytest.mark.parametrize("seed", SEEDS)
def test_broken_input_gives_a_result_or_one_clear_refusal(
    seed: int, captures: dict[str, list[bytes]], schema: jsonschema.Draft202012Validator, tmp_path: Path
) -> None:
    words = broken_command(random.Random(seed), captures, tmp_path)
    out, err = io.StringIO(), io.StringIO()
    status = main(words, Surroundings(stdout=out, stderr=err, environ={}))
    if status is ExitStatus.COULD_NOT:
        assert out.getvalue() == ""
        assert err.getvalue().startswith("busdoc: ")
        assert ": expected " in err.getvalue()
    else:
        assert err.getvalue() == ""
        schema.validate(without_loads(json.loads(out.getvalue(), parse_constant=refuse_constant)))


def test_broken_input_is_refused_and_answered_both(captures: dict[str, list[bytes]], tmp_path: Path) -> None:
    seen = set()
    for seed in SEEDS[:20]:
        (tmp_path / str(seed)).mkdir()
        words = broken_command(random.Random(seed), captures, tmp_path / str(seed))
        seen.add(main(words, Surroundings(stdout=io.StringIO(), stderr=io.StringIO(), environ={})))
    assert seen == set(ExitStatus)
