"""Every JSON document holds to the schema file that ships with busdoc (JSON Schema, draft 2020-12)."""

import json
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.report.json.document import SCHEMA, document
from tests.documents import schema
from tests.report import record_results as made
from tests.typed import typed

RESULTS = {"clean": made.clean, "one branch": made.one_branch, "intermittent": made.intermittent}
EXAMPLES = Path(__file__).parents[2]


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema())


def undescribed(value: Any, described: dict[str, Any], root: dict[str, Any], where: str = "") -> Iterator[str]:
    """Name every key of a document that the schema does not describe."""
    while "$ref" in described:
        described = root["$defs"][described["$ref"].rpartition("/")[2]]
    for choice in described.get("oneOf", ()):
        if choice.get("type") == "object" and isinstance(value, dict):
            described = choice
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in described.get("properties", {}):
                yield from undescribed(inner, described["properties"][key], root, f"{where}.{key}")
            else:
                yield f"{where}.{key}"
    elif isinstance(value, list):
        for inner in value:
            yield from undescribed(inner, described["items"], root, f"{where}[]")


@pytest.mark.parametrize("name", ["busdoc-verdict-1", "busdoc-tables-1", "busdoc-ready-1"])
def test_a_schema_is_itself_valid_and_has_a_name_of_its_own(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(name))
    assert schema(name)["$id"] == "urn:busdoc:" + name.removeprefix("busdoc-").replace("-", ":")


def test_the_schema_is_that_of_the_documents() -> None:
    assert schema()["title"] == SCHEMA


@pytest.mark.parametrize("kind", RESULTS)
def test_documents_hold_to_the_schema(kind: str) -> None:
    validator().validate(document(RESULTS[kind]()))


@pytest.mark.parametrize("kind", RESULTS)
def test_every_key_of_a_document_is_described(kind: str) -> None:
    assert list(undescribed(document(RESULTS[kind]()), schema(), schema())) == []


@pytest.mark.parametrize("kind", RESULTS)
def test_documents_hold_no_number_that_json_lacks(kind: str) -> None:
    text = json.dumps(document(RESULTS[kind]()), allow_nan=False)
    assert json.loads(text) == json.loads(json.dumps(document(RESULTS[kind]())))


@pytest.mark.parametrize("kind", ["one branch", "intermittent"])
@given(data=st.data())
def test_a_document_without_a_required_key_is_refused(kind: str, data: st.DataObject) -> None:
    tree = deepcopy(_DOCUMENTS[kind])
    part = data.draw(st.sampled_from(["", "capture", "incidents", "controllers", "actions", "codes", "suspects"]))
    target = tree if part == "" else tree.get(part) or tree
    target = target[0] if isinstance(target, list) else target
    required = [key for key in target if key not in ("trials", "suspects", "next_tests", "resync")]
    del target[data.draw(st.sampled_from(required))]
    assert not validator().is_valid(tree)


@pytest.mark.parametrize("wrong", ["gone", 3, None])
def test_an_unknown_word_is_refused(wrong: object) -> None:
    tree = deepcopy(_DOCUMENTS["one branch"])
    tree["incidents"][0]["kind"] = wrong
    assert not validator().is_valid(tree)


_DOCUMENTS = {kind: document(make()) for kind, make in RESULTS.items()}

REAL = {
    "street_sweeper": ("street_sweeper", "street_sweeper"),
    "sweeper_feed": ("street_sweeper", "street_sweeper"),
    "sweeper_segment": ("street_sweeper", "street_sweeper"),
    "straddle_carrier": ("straddle_carrier", "straddle_carrier"),
    "sweeper_code": ("street_sweeper", "street_sweeper"),
}


@pytest.mark.parametrize("folder", REAL)
def test_documents_of_the_bundled_captures_hold_to_the_schema(folder: str) -> None:
    from busdoc.api import postmortem

    machine, database = REAL[folder]
    result = postmortem(
        EXAMPLES / "captures" / folder / "capture.log.gz",
        databases=EXAMPLES / "dbc_examples" / f"{database}.dbc",
        machine=EXAMPLES / "captures" / machine / "machine.toml",
        journal=EXAMPLES / "captures" / folder / "actions.csv",
    )
    tree = document(result)
    validator().validate(tree)
    assert list(undescribed(tree, schema(), schema())) == []
    json.dumps(tree, allow_nan=False)


AHEAD_AND_TORN = """\
 0.0273920000000 20000000  CF00400x        Rx   d 8 FF FF A0 B5 2E FF FF FF
 0.527875 20000000  CF00400x        Rx   d 8 FF FF A0 EA 2E FF FF FF
 0.577438 20000000  CF00400x        Rx   d 8 FF FF A0 DE 2E FF FF FF
 0.627874 20000000  CF00400x        Rx   d 8 FF FF A0 FE 2E FF FF FF
 0.6774320000000 20000000  CF00400x        Rx   d 8 FF FF A0 D8 2E FF FF FF
 20000000.3274620000000 20000000  CF00400x        Rx   d 8 FF FF A0 07 2F FF FF FF
 20000000.3780320000000 20000000  CF00400x        Rx   d 8 FF FF A0 E4 2E FF FF FF"""
"""A clock that steps ahead by months after half a second."""


def test_a_clock_that_steps_ahead_by_months_still_gives_numbers(tmp_path: Path) -> None:
    capture = tmp_path / "torn.asc"
    capture.write_text(AHEAD_AND_TORN, encoding="ascii")
    machine = EXAMPLES / "captures/street_sweeper/machine.toml"
    status, out, _ = typed("postmortem", capture, "--machine", machine, "--json")

    def refuse(number: str) -> float:
        raise ValueError(number)

    tree = json.loads(out, parse_constant=refuse)
    validator().validate(tree)
    assert status == 1
    assert not any(one["probability"] > 1 for one in tree["suspects"])
