"""What was looked at, as the JSON document ``busdoc-ready/1``."""

from collections.abc import Mapping, Sequence
from typing import Any

from busdoc.cli.first_minute.finding import Finding, Standing, in_short

__all__ = ["SCHEMA", "ready_document"]

SCHEMA = "busdoc-ready/1"


def ready_document(findings: Sequence[Finding], version: str) -> Mapping[str, Any]:
    """Give the tree of the document; the schema beside those of the other documents describes every key.

    Parameters
    ----------
    version : of busdoc
    """
    return {
        "schema": SCHEMA,
        "version": version,
        "headline": in_short(findings),
        "ready": all(one.standing is not Standing.WRONG for one in findings),
        "findings": [
            {"about": one.about, "standing": str(one.standing), "text": one.text, "advice": one.advice or None}
            for one in findings
        ],
    }
