"""The schemas that ship with busdoc, and documents held to them (JSON Schema, draft 2020-12)."""

import json
from functools import cache
from importlib.resources import files
from typing import Any

import jsonschema

__all__ = ["held", "held_to_schema", "schema"]


def schema(name: str = "busdoc-verdict-1") -> dict[str, Any]:
    """Read a schema of its own, free to be changed."""
    text = files("busdoc.report.json").joinpath(f"schema/{name}.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


@cache
def _validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema(name))


def held(tree: Any, name: str = "busdoc-verdict-1") -> Any:
    """Give a document back that holds to its schema.

    Raises
    ------
    jsonschema.ValidationError : it does not
    """
    _validator(name).validate(tree)
    return tree


def held_to_schema(text: str, name: str = "busdoc-verdict-1") -> Any:
    """Read a document that must be the only thing in a text, and hold to its schema."""

    def refuse(number: str) -> float:
        raise ValueError(number)

    return held(json.loads(text, parse_constant=refuse), name)
