"""An earlier verdict, read back from its JSON document: how often the fault showed before the repair."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from busdoc.errors import InputError
from busdoc.files.given import read_given
from busdoc.isolation.proposals.cure import FaultRate
from busdoc.isolation.verdict import ELSEWHERE
from busdoc.report.json.document import SCHEMA

__all__ = ["fault_rate_of", "read_verdict"]

_LARGEST_BYTES = 200_000_000
_SUSPECTED = 0.5
_UNWATCHED = ("capture-gap",)
_NO_INCIDENT = ("capture-gap", "code")

Json = Mapping[str, Any]


def read_verdict(path: Path) -> Json:
    """Read a document that busdoc printed with ``--json``.

    Raises
    ------
    InputError : it cannot be read, or is another document
    """
    wanted, advice = "a verdict of busdoc", "Make one with busdoc postmortem … --json > verdict.json."
    try:
        tree = json.loads(read_given(path, wanted, most_bytes=_LARGEST_BYTES, advice=advice), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise InputError(str(path), wanted, "no JSON document", advice) from error
    if not isinstance(tree, dict) or tree.get("schema") != SCHEMA:
        found = f'"schema": {tree.get("schema")!r}' if isinstance(tree, dict) else "something else"
        raise InputError(str(path), f'a verdict of busdoc, "schema": "{SCHEMA}"', found, advice)
    return tree


_LONGEST_S = 1e9
"""Thirty years: nobody watches for longer (by definition of a bound)."""


def _no_number(text: str) -> float:
    """Refuse NaN and infinities, which JSON (RFC 8259, section 6) does not have and Python reads all the same."""
    raise ValueError(text)


def fault_rate_of(verdict: Json, where: str) -> FaultRate:
    """Give how often the fault showed: while the suspected part was exposed, else over the whole record.

    Parameters
    ----------
    verdict : a document of the schema ``busdoc-verdict/1``
    where : what to call it in a message

    Raises
    ------
    InputError : it does not hold to its schema
    """
    try:
        rate = _under_suspect(verdict) or _over_complaint(verdict) or _over_all(verdict)
        if not rate.watched_s <= _LONGEST_S:
            raise ValueError(f"a time that can be watched, not {rate.watched_s:g} s")
        conclusion: Json = verdict.get("conclusion") or {}
        needed_s = conclusion.get("to_prove_s")
        if needed_s is not None:
            if not 0.0 <= float(needed_s) <= _LONGEST_S:
                raise ValueError(f"a time that can be waited, not {needed_s!r} s")
            rate = replace(rate, concluded_s=float(needed_s))
        complaint = _complaint(verdict)
        if complaint is None:
            return rate
        return replace(
            rate, complaint=complaint["name"], only_after_starts=bool(complaint.get("only_after_starts", False))
        )
    except (KeyError, IndexError, TypeError, ArithmeticError, ValueError, AttributeError) as error:
        raise InputError(
            where, f"a whole document of {SCHEMA}", f"one that lacks {error}", "Give it as busdoc printed it."
        ) from error


def _under_suspect(verdict: Json) -> FaultRate | None:
    """Count what showed in trials with the first suspect exposed: total time on test, quiet ends included."""
    suspects: Sequence[Json] = verdict.get("suspects") or ()
    if not suspects or suspects[0]["part"] == ELSEWHERE or suspects[0]["probability"] < _SUSPECTED:
        return None
    part = str(suspects[0]["part"])
    n, watched_s = 0, 0.0
    for trial in verdict.get("trials") or ():
        if part not in trial["exposed"]:
            continue
        shown_s = trial["shown_after_s"]
        n += trial["outcome"] == "trouble"
        watched_s += float(trial["to_s"]) - float(trial["from_s"]) if shown_s is None else float(shown_s)
    return FaultRate(n=n, watched_s=max(watched_s, 1e-3), fault=part) if n else None


def _complaint(verdict: Json) -> Json | None:
    """Give the symptom that the verdict speaks of; None: the dropouts."""
    name = verdict.get("complaint")
    return next((one for one in verdict.get("symptoms") or () if name is not None and one["name"] == name), None)


def _over_complaint(verdict: Json) -> FaultRate | None:
    """Count the showings of the complaint over the time in which it could be seen and did not show."""
    complaint = _complaint(verdict)
    if complaint is None:
        return None
    seen_s = sum(float(one["to_s"]) - float(one["from_s"]) for one in complaint["observable"])
    until_s = max((float(one["to_s"]) for one in complaint["observable"]), default=0.0)
    shown_s = sum(
        (until_s if one["to_s"] is None else float(one["to_s"])) - float(one["from_s"]) for one in complaint["spans"]
    )
    return FaultRate(n=len(complaint["spans"]), watched_s=max(seen_s - shown_s, 1e-3), fault=str(complaint["name"]))


def _over_all(verdict: Json) -> FaultRate:
    """Count the unexplained incidents of the whole record, and what of it was heard."""
    capture: Json = verdict["capture"]
    watched_s = float(capture["duration_s"])
    watched_s -= sum(
        float(gap["to_s"]) - float(gap["from_s"])
        for gap in capture["gaps"]
        if gap["kind"] in _UNWATCHED and gap.get("channel") is None
    )
    incidents = [one for one in verdict["incidents"] if one["kind"] not in _NO_INCIDENT and not one["expected"]]
    names = dict.fromkeys(str(name) for one in incidents for name in one["controllers"])
    return FaultRate(n=len(incidents), watched_s=max(watched_s, 1e-3), fault=", ".join(names))
