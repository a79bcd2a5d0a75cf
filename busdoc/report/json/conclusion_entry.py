"""The one conclusion as plain dictionaries for the JSON document."""

from collections.abc import Mapping
from typing import Any

from busdoc.analysis.result import Result
from busdoc.isolation.verdict import Suspect
from busdoc.report.words.conclusion import conclusion_in_words
from busdoc.times import seconds

__all__ = ["conclusion_entry"]


def conclusion_entry(result: Result) -> Mapping[str, Any]:
    """Give the key `conclusion` of the document."""
    one = result.conclusion
    return {
        "state": str(one.state),
        "part": one.part,
        "probability": one.probability,
        "named": [_share(suspect) for suspect in one.named],
        "suspects": [_share(suspect) for suspect in one.suspects],
        "repairs": [
            {
                "part": repair.part,
                "action": repair.action,
                "at_s": seconds(repair.at_ns),
                "quiet_s": seconds(repair.quiet_ns),
                "came_back_s": None if repair.came_back_ns is None else seconds(repair.came_back_ns),
            }
            for repair in one.repairs
        ],
        "quiet_s": None if one.quiet_ns is None else seconds(one.quiet_ns),
        "to_prove_s": None if one.to_prove_ns is None else seconds(one.to_prove_ns),
        "left_s": None if one.left_ns is None else seconds(one.left_ns),
        "why_so_long": None if one.quiet is None else one.quiet.why,
        "text": " ".join(conclusion_in_words(one, mapped=bool(result.machine.parts))),
    }


def _share(suspect: Suspect) -> Mapping[str, Any]:
    return {"part": suspect.part, "probability": suspect.probability}
