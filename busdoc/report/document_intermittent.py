"""What many dropouts have in common, as plain dictionaries for the JSON document."""

from collections.abc import Mapping
from typing import Any

from busdoc.isolation.groups import Group
from busdoc.isolation.intermittent import Intermittent
from busdoc.isolation.rate_shape import Rate
from busdoc.report.times import seconds

__all__ = ["intermittent_keys"]

Json = Mapping[str, Any]


def intermittent_keys(found: Intermittent) -> dict[str, Any]:
    """Give the keys `groups` and `rate` of the document."""
    return {
        "groups": [_group(group) for group in found.groups],
        "rate": [_rate(rate) for rate in found.rates],
    }


def _group(group: Group) -> Json:
    return {
        "controllers": list(group.controllers),
        "others": list(group.others),
        "dropouts": len(group.incidents),
        "incidents": [k + 1 for k in group.incidents],
        "restarted": group.restarted,
        "kept_running": group.kept_running,
        "together_by_chance": group.together_by_chance,
        "causes": [
            {"kind": str(cause.kind), "part": cause.part, "probability": cause.probability, "words": cause.words}
            for cause in group.causes
        ],
        "words": group.words,
    }


def _rate(rate: Rate) -> Json:
    return {
        "controllers": list(rate.controllers),
        "dropouts": rate.n,
        "watched_s": rate.watched_s,
        "per_hour": rate.per_hour,
        "per_hour_low": rate.per_hour_low,
        "per_hour_high": rate.per_hour_high,
        "bursts": rate.n_bursts,
        "first_half": rate.first_half,
        "second_half": rate.second_half,
        "halves_p": rate.halves_p,
        "worse": rate.worse,
        "shapes": [
            {"shape": str(test.shape), "p": test.p, "p_holm": test.p_holm, "found": test.found, "words": test.words}
            for test in rate.tests
        ],
        "outages": {
            "ended": rate.outage.n,
            "still_away": rate.outage.still_away,
            "median_s": rate.outage.median_s,
            "longest_s": rate.outage.longest_s,
        },
        "needed": {
            "until_ten_s": rate.needed.until_ten_s,
            "quiet_to_prove_s": rate.needed.quiet_to_prove_s,
            "halving_seen_s": rate.needed.halving_seen_s,
        },
        "columns": [
            {
                "from_s": seconds(column.from_ns),
                "to_s": seconds(column.to_ns),
                "watched_s": column.watched_s,
                "dropouts": column.n,
            }
            for column in rate.columns
        ],
    }
