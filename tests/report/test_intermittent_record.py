"""What many dropouts have in common, in every rendering: terminal, record, JSON, tables."""

import json
import re
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from busdoc.analysis.result import Result
from busdoc.intermittent.intermittent import Evidence, look_into
from busdoc.intermittent.precursors.event_kind import EventSource, events_at
from busdoc.report.json.document import document
from busdoc.report.record.html import html
from busdoc.report.tables.tables import tables, write_tables
from busdoc.report.terminal.terminal import render
from tests.report import record_results as made

START_NS = made.START_NS
S = 10**9


def with_events(result: Result, *, causal: bool, name: str = "Boom.Raised became 1 (on)") -> Result:
    """Let "Boom.Raised became 1" come half a second before most dropouts, or whenever it likes; and ten others."""
    rng = np.random.default_rng(4)
    lost_ns = np.array([incident.last_seen_ns for incident in result.incidents], np.int64)
    span_ns = result.health.until_ns - START_NS
    kinds = [
        events_at(
            f"Engine.Step{k} became 1 (on)",
            EventSource.SIGNAL,
            START_NS + (rng.random(80) * span_ns).astype(np.int64),
            controller="engine",
            signal=f"Engine.Step{k}",
        )
        for k in range(10)
    ]
    if causal:
        kinds.append(
            events_at(
                name,
                EventSource.SIGNAL,
                lost_ns[rng.random(len(lost_ns)) < 0.8] - S // 2,
                controller="engine",
                signal="Boom.Raised",
            )
        )
    evidence = Evidence(kinds=tuple(kinds), left_out=("Engine.Counter changes too often to be told apart.",))
    found = look_into(result.health, result.because, result.machine, (), gather=lambda _: evidence, epoch=True)
    return replace(result, intermittent=found)


@lru_cache(maxsize=2)
def looked_into(*, causal: bool) -> Result:
    return with_events(made.intermittent(60), causal=causal)


def section(text: str, title: str) -> str:
    return re.sub(r"\s+", " ", text.split(title)[1].split("\n\n")[0])


def test_the_terminal_says_the_strongest_event_that_goes_before_the_dropouts() -> None:
    text = section(render(looked_into(causal=True)), "What the dropouts have in common")
    assert 'after the event "Boom.Raised became 1 (on)"' in text
    assert "11 kinds of events and 0 signals were tried" in text


def test_the_terminal_says_that_nothing_goes_before_and_how_much_was_tried() -> None:
    text = section(render(looked_into(causal=False)), "What the dropouts have in common")
    assert (
        "Nothing that was recorded goes before the dropouts more often than chance; "
        "10 kinds of events and 0 signals were tried." in text
    )


def test_the_terminal_says_what_to_do_next() -> None:
    text = section(render(looked_into(causal=True)), "What to do about the dropouts")
    assert "every 10 minutes" in text
    assert "prove it with 95 %" in text


def test_two_dropouts_have_no_section_anywhere() -> None:
    result = with_events(made.intermittent(2), causal=True)
    assert result.intermittent is None
    assert "have in common" not in render(result)
    assert 'id="intermittent"' not in html(result)
    assert "groups" not in document(result)


def test_the_record_shows_the_rate_and_the_lags_with_their_words() -> None:
    page = html(looked_into(causal=True))
    for anchor in ("groups", "rate", "before", "advice"):
        assert f'<section id="{anchor}">' in page
    titles = re.findall(r"<title>(.*?)</title><desc>(.*?)</desc>", page)
    assert any(title == "Dropouts over time" and "Dashed line" in words for title, words in titles)
    assert any("Boom.Raised became 1" in title and "by chance" in words for title, words in titles)


def test_names_from_a_database_cannot_break_out_of_the_record() -> None:
    page = html(with_events(made.intermittent(60), causal=True, name=made.HOSTILE))
    assert "alert(1)" in page
    assert "<script" not in page
    assert "<img" not in page


def test_the_record_names_what_could_not_be_tried() -> None:
    assert "Engine.Counter changes too often to be told apart." in html(looked_into(causal=False))


@pytest.mark.parametrize("causal", [True, False])
def test_the_document_holds_to_the_schema_and_says_which_are_found(causal: bool) -> None:
    tree = document(looked_into(causal=causal))
    schema = json.loads(
        files("busdoc.report.json").joinpath("schema/busdoc-verdict-1.json").read_text(encoding="utf-8")
    )
    jsonschema.Draft202012Validator(schema).validate(tree)
    json.dumps(tree, allow_nan=False)
    assert {one["signal"] for one in tree["antecedents"] if one["found"]} == ({"Boom.Raised"} if causal else set())
    assert tree["tried"]["kinds"] == (11 if causal else 10)
    assert tree["tried"]["left_out"] == ["Engine.Counter changes too often to be told apart."]


def test_every_p_pays_for_all_that_was_tried() -> None:
    tree = document(looked_into(causal=True))
    n_tests = tree["tried"]["tests"]
    best = min(tree["antecedents"], key=lambda one: one["p"])
    in_full = best["p"] * n_tests
    assert best["q_bh"] == pytest.approx(in_full, rel=1e-9, abs=0.0)
    assert best["p"] < best["p_holm"] < in_full * (1 + 1e-9)  # tests that cannot show as much pay less


def test_groups_and_events_are_tables(tmp_path: Path) -> None:
    frames = tables(looked_into(causal=True))
    assert set(frames["groups"]["cause_kind"]) >= {"controller"}
    assert frames["antecedents"]["lag_median_s"].notna().any()
    written = {path.name for path in write_tables(looked_into(causal=True), tmp_path)}
    assert {"groups.csv", "groups.parquet", "antecedents.csv", "antecedents.parquet"} <= written
