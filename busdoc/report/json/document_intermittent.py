"""What many dropouts have in common, as plain dictionaries for the JSON document."""

from collections.abc import Mapping
from typing import Any

from busdoc.analysis.overview import worth_listing
from busdoc.intermittent.groups import Group
from busdoc.intermittent.intermittent import Intermittent
from busdoc.intermittent.precursors.antecedent import Antecedent
from busdoc.intermittent.precursors.covariate import Covariate
from busdoc.intermittent.rate_shape import Rate
from busdoc.times import seconds

__all__ = ["intermittent_keys"]

Json = Mapping[str, Any]
_MOST_IN_VAIN = 20


def intermittent_keys(found: Intermittent) -> dict[str, Any]:
    """Give the keys of the document, from `common_to` to `advice`."""
    beside = {(one.name, one.controllers): one.beside for one in found.findings}
    return {
        "common_to": found.symptom,
        "along": [_antecedent(one, {}) for one in found.along],
        "groups": [_group(group) for group in found.groups],
        "rate": [_rate(rate) for rate in found.rates],
        "antecedents": [_antecedent(one, beside) for one in worth_listing(found.antecedents, _MOST_IN_VAIN)],
        "covariates": [_covariate(one) for one in worth_listing(found.covariates, _MOST_IN_VAIN)],
        "tried": {
            "kinds": found.tried.kinds,
            "signals": found.tried.signals,
            "tests": found.tried.tests,
            "left_out": list(found.tried.left_out),
        },
        "advice": [
            {"kind": str(one.kind), "words": one.words, "about": list(one.about), "hours": one.hours}
            for one in found.advice
        ],
    }


def _antecedent(one: Antecedent, beside: Mapping[tuple[str, tuple[str, ...]], str | None]) -> Json:
    return {
        "name": one.name,
        "source": str(one.source),
        "controller": one.controller,
        "signal": one.signal,
        "dropouts_of": list(one.controllers),
        "aliases": list(one.aliases),
        "found": one.found,
        "p": one.p,
        "p_holm": one.p_holm,
        "q_bh": one.q_bh,
        "window_s": one.window_s,
        "dropouts": one.n_dropouts,
        "preceded": one.n_preceded,
        "precursor_rate": one.precursor_rate,
        "by_chance": one.by_chance,
        "events": one.n_events,
        "followed": one.n_followed,
        "trigger_rate": one.trigger_rate,
        "trigger_by_chance": one.trigger_by_chance,
        "explained": one.explained,
        "explained_low": one.explained_low,
        "explained_high": one.explained_high,
        "lag_s": None if one.lag_s is None else list(one.lag_s),
        "order_unclear": one.order_unclear,
        "beside": beside.get((one.name, one.controllers)),
        "words": one.words,
    }


def _covariate(one: Covariate) -> Json:
    return {
        "name": one.name,
        "signal": one.signal,
        "unit": one.unit,
        "dropouts_of": list(one.controllers),
        "found": one.found,
        "p": one.p,
        "p_holm": one.p_holm,
        "q_bh": one.q_bh,
        "feature": str(one.kind),
        "direction": one.direction,
        "window_s": one.window_s,
        "dropouts": one.n_dropouts,
        "separates": one.separates,
        "separates_low": one.separates_low,
        "separates_high": one.separates_high,
        "threshold": one.threshold,
        "threshold_low": one.threshold_low,
        "threshold_high": one.threshold_high,
        "beyond": one.n_beyond,
        "share_beyond": one.share_beyond,
        "explained": one.explained,
        "words": one.words,
    }


def _group(group: Group) -> Json:
    return {
        "controllers": list(group.controllers),
        "others": list(group.others),
        "dropouts": group.falls,
        "incidents": [k + 1 for k in group.incidents],
        "restarted": group.restarted,
        "kept_running": group.kept_running,
        "together_by_chance": group.together_by_chance,
        "causes": [
            {"kind": str(cause.kind), "part": cause.part, "probability": cause.probability, "words": cause.words}
            for cause in group.told_causes
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
