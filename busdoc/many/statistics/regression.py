"""What the manifest says of machines against how often they drop: Poisson regression, no more than the data hold."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array

__all__ = ["Effect", "Effects", "effects_of"]

_EVENTS_EACH = 10
"""Dropouts that each coefficient needs (P. Peduzzi et al., Journal of Clinical Epidemiology 49 (1996) 1373-1379)."""
_MOST_LEVELS = 6
_LEAST_MACHINES = 2
"""With a value, or it is the machine that is judged and not the value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one value of a column goes with."""

    column: str
    value: str
    """Or `per unit`, of a number."""
    against: str
    """The value that it is compared with; empty of a number."""
    ratio: float
    """Of the rates."""
    low: float
    """95 %."""
    high: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """The whole regression."""

    effects: tuple[Effect, ...]
    dispersion: float
    """How much more machines differ than chance has it, when all this is known."""
    left_out: tuple[str, ...]
    """Columns that could not be used, and why."""


def effects_of(n: Int64Array, hours: Float64Array, columns: Mapping[str, Sequence[str]]) -> Effects:
    """Regress the rates on the manifest's columns, the most even first, as far as the dropouts go.

    Quasi-Poisson with the logarithm of the hours as offset, the dispersion from Pearson's statistic, and Student's
    distribution (P. McCullagh & J. A. Nelder, Generalized Linear Models, 1989, 6.3.2); computed by statsmodels. A rate
    that goes with a column need not come from it.

    Parameters
    ----------
    n, hours : (rows,) of one machine each, or of one machine under one set of values
    columns : name -> (rows,) texts; all numbers: one coefficient for each unit; empty: the row is left out
    """
    wanted, left_out = _chosen(n, columns)
    if not wanted:
        return Effects(effects=(), dispersion=1.0, left_out=left_out)
    rows = (hours > 0.0) & np.array([all(columns[name][k] for name in wanted) for k in range(len(n))])
    design, named, n, hours = [np.ones(int(rows.sum()))], [], n[rows], hours[rows]
    for name in wanted:
        for values, told in _coded(name, np.array(columns[name], np.object_)[rows].tolist()):
            design.append(values)
            named.append(told)
    matrix = np.column_stack(design)
    freedom = len(n) - matrix.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(matrix) < matrix.shape[1] or not n.sum():
        why = f"{', '.join(wanted)}: they say the same of the same machines, or there are too few"
        return Effects(effects=(), dispersion=1.0, left_out=(*left_out, why))
    from scipy.special import stdtr, stdtrit
    from statsmodels.genmod.families import Poisson  # its `api` imports four times as much of it
    from statsmodels.genmod.generalized_linear_model import GLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what does not converge shows as an interval without an end
        fitted = GLM(n, matrix, family=Poisson(), offset=np.log(hours)).fit()
    dispersion = max(1.0, float(fitted.pearson_chi2) / freedom)  # never below 1: few machines may fit too well
    error = np.asarray(fitted.bse, np.float64) * np.sqrt(dispersion)
    t = float(stdtrit(freedom, 0.975))
    found = []
    for k, (column, value, against) in enumerate(named, start=1):
        at, spread = float(fitted.params[k]), float(error[k])
        p = float(2.0 * stdtr(freedom, -abs(at / spread))) if spread > 0.0 else 1.0
        low, high, ratio = np.exp(np.clip((at - t * spread, at + t * spread, at), -50.0, 50.0)).tolist()
        found.append(Effect(column=column, value=value, against=against, ratio=ratio, low=low, high=high, p=p))
    return Effects(effects=tuple(found), dispersion=dispersion, left_out=left_out)


def _chosen(n: Int64Array, columns: Mapping[str, Sequence[str]]) -> tuple[list[str], tuple[str, ...]]:
    """Choose the columns that the dropouts suffice for, and say of the others why not."""
    budget, chosen, left_out = int(n.sum()) // _EVENTS_EACH, [], []
    for name, values in sorted(columns.items(), key=lambda item: (_cost(item[1]), item[0])):
        given = [value for value in values if value]
        cost = _cost(values)
        if len(given) < max(3, len(values) // 2):
            left_out.append(f"{name}: most cells are empty")
        elif cost == 0:
            left_out.append(f"{name}: it is the same everywhere")
        elif not _is_number(given) and (len(set(given)) > _MOST_LEVELS or _rarest(given) < _LEAST_MACHINES):
            left_out.append(f"{name}: some of its {len(set(given))} values stand for too few machines")
        elif cost > budget:
            left_out.append(f"{name}: there are too few dropouts, {_EVENTS_EACH} are needed for each coefficient")
        else:
            chosen.append(name)
            budget -= cost
    return chosen, tuple(left_out)


def _cost(values: Sequence[str]) -> int:
    given = {value for value in values if value}
    return min(1, len(given) - 1) if _is_number(list(given)) else max(0, len(given) - 1)


def _rarest(values: Sequence[str]) -> int:
    return min(list(values).count(value) for value in set(values))


def _is_number(values: Sequence[str]) -> bool:
    try:
        return len({float(value) for value in values}) > 2
    except ValueError:
        return False


def _coded(name: str, values: Sequence[str]) -> list[tuple[Float64Array, tuple[str, str, str]]]:
    """Give a column as numbers, with what each of them means."""
    if _is_number(values):
        numbers = np.array([float(value) for value in values])
        return [(numbers - numbers.mean(), (name, "per unit", ""))]
    levels = sorted(set(values), key=lambda value: (-list(values).count(value), value))
    return [(np.array([float(value == level) for value in values]), (name, level, levels[0])) for level in levels[1:]]
