"""Thousands of damaged maps and journals: a sentence or a result, never a traceback."""

import random

import pytest

from busdoc.actions.journal import Journal, journal_from_text
from busdoc.actions.plugged import exposure_timeline
from busdoc.errors import InputError
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import machine_from_text
from tests.truth.sweeper_map import SWEEPER

JOURNAL = """\
time,action,part,into,uncertainty_s,note
1772359200.5,unplug,harness-A,,0.5,"by hand, quickly"
2026-03-01T11:00:05+01:00,plug,harness-A,hopper:A,,
+12.5,power-cycle,fuse-3,,,
+14,swap,harness-A,harness-B,1.0,
+20,replace,harness-B,,,new one
+21,wiggle,harness-A,,,
+22,mark,,,,looked
+23,unplug,hopper,,,
"""
ODD = ["", "\0", '"', "'", "[", "]", "{", "}", "=", ".", ",", ";", ":", "\n", "\r", "\t", "#", "é", "\ufeff", "\u2028"]
ODD += ["\ud800", "nan", "-1", "9" * 40, "0x", "1e999", "true", "[[part]]", "harness-A", "hopper", '"""', "'''", "\\"]


def damaged(text: str, rng: random.Random) -> str:
    for _ in range(rng.randint(1, 4)):
        at, to = sorted(rng.randrange(len(text) + 1) for _ in range(2))
        to = min(to, at + rng.choice([0, 1, 1, 3, 10, 60]))
        match rng.randrange(5):
            case 0:
                text = text[:at] + text[to:]
            case 1:
                text = text[:at] + rng.choice(ODD) + text[to:]
            case 2:
                text = text[:at] + text[at:to] * 2 + text[to:]
            case 3:
                lines = text.split("\n")
                rng.shuffle(lines)
                text = "\n".join(lines)
            case _:
                text = text[:at] + chr(rng.randrange(0x20, 0x180)) + text[to:]
    return text


@pytest.mark.parametrize("seed", range(5))
def test_a_damaged_map_gives_a_machine_or_a_sentence(seed: int) -> None:
    rng = random.Random(seed)
    refusals: list[str] = []
    for _ in range(500):
        try:
            machine = machine_from_text(damaged(SWEEPER, rng), "machine.toml")
        except InputError as error:
            refusals.append(str(error))
        else:
            assert all(lower in machine for name in machine.parts for lower in machine.below(name))
    assert 0 < len(refusals) < 500
    assert all(text.startswith("machine.toml") for text in refusals)


@pytest.mark.parametrize("seed", range(5))
def test_a_damaged_journal_gives_actions_or_a_sentence(seed: int) -> None:
    rng = random.Random(1000 + seed)
    machine = machine_from_text(SWEEPER, "machine.toml")
    n_with_loss = 0
    refusals: list[str] = []
    for n in range(500):
        on = Machine() if n % 4 == 0 else machine
        try:
            journal = journal_from_text(
                damaged(JOURNAL, rng), "actions.csv", on, start_ns=1_772_359_200 * 10**9, epoch=n % 3 > 0
            )
        except InputError as error:
            refusals.append(str(error))
            continue
        n_with_loss += bool(journal.skipped)
        replay(on, journal)
    assert n_with_loss > 50
    assert all(text.startswith("actions.csv") for text in refusals)


def replay(machine: Machine, journal: Journal) -> None:
    times = [action.time_ns for action in journal.actions]
    assert times == sorted(times)
    assert all(abs(t_ns) < 1 << 63 for t_ns in times)
    start_ns, until_ns = min(times, default=0) - 1, max(times, default=0) + 10**9
    spans = exposure_timeline(machine, journal.actions, "hopper", start_ns, until_ns)
    assert sum(span.to_ns - span.from_ns for span in spans) == until_ns - start_ns
