"""A condition on a signal: `Hopper.SensorSupply < 4.6 for 0.2 s`.

So it is written after `--symptom`, and in the map's `[[symptom]]`.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array
from busdoc.errors import InputError, nearest
from busdoc.times import nanoseconds

__all__ = ["Condition", "is_condition", "parse_condition"]

_FORM = re.compile(
    r"^\s*(?P<signal>[^<>=!]+?\.[^<>=!.]+?)\s*(?P<op><=|>=|==|!=|<|>|\bin\b)\s*(?P<value>.+?)"
    r"(?:\s+for\s+(?P<hold>\d+(?:\.\d+)?)\s*s?)?\s*$"
)
_OPERATORS = ("<=", ">=", "==", "!=", "<", ">", " in ")
_ADVICE = "Write for example 'HopperStatus.SensorSupply < 4.6 for 0.2 s' or 'HopperStatus.State in FAULT, RETRY'."


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One comparison with one signal."""

    name: str
    """What people call it; the expression where nobody gave it a name."""
    signal: str
    """`Message.Signal` of the user's database."""
    operator: str
    """``<``, ``<=``, ``>``, ``>=``, ``==``, ``!=`` or ``in``."""
    values: tuple[str | float, ...]
    """Numbers in the signal's unit, or words of its value table; several with ``in`` alone."""
    hold_ns: int = 0
    """It shows once it has held for so long."""
    latches: bool | None = None
    points_at: tuple[str, ...] = ()
    controller: str | None = None
    """Whose symptom it is; None: its sender's."""

    def holds(self, values: Float64Array, labels: Sequence[str] | None) -> BoolArray:
        """Say where it is true.

        Parameters
        ----------
        values : (n,) in the signal's unit, NaN where there is none: nothing is true of that
        labels : (n,) words of the value table; None where the signal has none
        """
        found = np.zeros(len(values), np.bool_)
        for value in self.values:
            if isinstance(value, str):
                alike = np.array([label == value for label in labels or [""] * len(values)], np.bool_)
                found |= ~alike if self.operator == "!=" else alike
            else:
                found |= _compared(values, self.operator, value)
        return found & ~np.isnan(values)


def _compared(values: Float64Array, operator: str, value: float) -> BoolArray:
    with np.errstate(invalid="ignore"):
        match operator:
            case "<":
                return np.asarray(values < value, np.bool_)
            case "<=":
                return np.asarray(values <= value, np.bool_)
            case ">":
                return np.asarray(values > value, np.bool_)
            case ">=":
                return np.asarray(values >= value, np.bool_)
            case "!=":
                return np.asarray(values != value, np.bool_)
            case _:
                return np.asarray(values == value, np.bool_)


def is_condition(text: str) -> bool:
    """Whether a symptom expression compares a signal, rather than naming a symptom.

    >>> is_condition("Hopper.Supply < 4.6"), is_condition("code:hopper:3509/4")
    (True, False)
    """
    kind, colon, _ = text.partition(":")
    return not (colon and kind.strip().isalpha()) and any(operator in text for operator in _OPERATORS)


def parse_condition(text: str, where: str, *, name: str | None = None) -> Condition:
    """Read a condition.

    >>> parse_condition("Hopper.Supply < 4.6 for 0.2 s", "--symptom").hold_ns
    200000000
    >>> parse_condition("Hopper.State in FAULT, 3", "--symptom").values
    ('FAULT', 3.0)

    Raises
    ------
    InputError : it is none
    """
    matched = _FORM.match(text)
    if matched is None:
        raise InputError(where, "a condition on a signal", f'"{text}"', _ADVICE)
    operator = matched["op"]
    raw = [one.strip().strip("\"'") for one in matched["value"].split(",")]
    if not all(raw) or (len(raw) > 1 and operator != "in"):
        raise InputError(where, "one value, or several after `in`", f'"{matched["value"]}"', _ADVICE)
    values = tuple(_value(one) for one in raw)
    if operator in ("<", "<=", ">", ">=") and isinstance(values[0], str):
        raise InputError(where, f"a number after {operator}", f'"{raw[0]}"', _ADVICE)
    return Condition(
        name=name or " ".join(text.split()),
        signal=matched["signal"].strip(),
        operator=operator,
        values=values,
        hold_ns=0 if matched["hold"] is None else nanoseconds(matched["hold"]),
    )


def _value(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def unknown_signal(condition: Condition, known: Sequence[str], where: str) -> InputError:
    """Say that a database does not have a condition's signal."""
    near = nearest(condition.signal, known)
    return InputError(where, "a signal of the database as `Message.Signal`", f'"{condition.signal}"', near)
