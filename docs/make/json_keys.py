"""Writes the reference of keys in `docs/json.md` from the schema that ships with busdoc.

    python docs/make/json_keys.py

A test compares the page with what this gives, so that no key is left out and none says something else there.
"""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "json.md"
SCHEMA = ROOT / "busdoc" / "report" / "json" / "schema" / "busdoc-verdict-1.json"
MARK = "<!-- Below this line: written by docs/make/json_keys.py. -->\n"

Described = Mapping[str, Any]


def reference(schema: Described) -> str:
    """Give the reference: the keys at the top, then those of each definition, in the schema's order."""
    parts = ["## Every key\n", *_section(schema, "The document", schema)]
    for name, described in schema["$defs"].items():
        parts += _section(described, f"`{name}`", schema)
    return "\n".join(parts)


def _section(described: Described, title: str, schema: Described) -> Iterator[str]:
    rows = list(_rows(described, "", schema))
    if not rows:
        return
    yield f"### {title}\n"
    if described is not schema and "description" in described:
        yield f"{described['description']}\n"
    yield "| key | type | what |"
    yield "| --- | --- | --- |"
    yield from rows
    yield ""


def _rows(described: Described, before: str, schema: Described) -> Iterator[str]:
    """Yield a row for each key, those of objects within it included; what is a definition of its own is named."""
    for key, inner in described.get("properties", {}).items():
        path = f"{before}{key}"
        what = inner.get("description", "")
        if "enum" in inner:
            what += f": {', '.join(f'`{word}`' for word in inner['enum'])}"
        if "$ref" in inner and not what:
            what = schema["$defs"][_named(inner)].get("description", "")
        yield f"| `{path}` | {_type(inner)} | {_cell(what)} |"
        for choice, mark in _within(inner):
            yield from _rows(choice, f"{path}{mark}.", schema)


def _within(described: Described) -> Iterator[tuple[Described, str]]:
    """Yield the objects that a value is or holds, with the mark of a list."""
    for choice in (described, *described.get("oneOf", ()), *described.get("anyOf", ())):
        if "properties" in choice:
            yield choice, ""
        if "properties" in choice.get("items", {}):
            yield choice["items"], "[]"


def _type(described: Described) -> str:
    if "const" in described:
        return f'`"{described["const"]}"`'
    if "$ref" in described:
        return _link(described)
    choices = described.get("oneOf") or described.get("anyOf")
    if choices:
        return " or ".join(_type(choice) for choice in choices)
    kinds = described.get("type", "string" if "enum" in described else "any")
    words = [kinds] if isinstance(kinds, str) else list(kinds)
    items = described.get("items")
    return " or ".join(f"list of {_type(items)}" if word == "array" and items else word for word in words)


def _named(described: Described) -> str:
    return str(described["$ref"]).rpartition("/")[2]


def _link(described: Described) -> str:
    return f"[{_named(described)}](#{_named(described)})"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def page(text: str) -> str:
    """Give the page with its reference written anew."""
    by_hand = text.partition(MARK)[0]
    return by_hand + MARK + "\n" + reference(json.loads(SCHEMA.read_text(encoding="utf-8")))


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
