"""The complaint: the one symptom that an analysis speaks of; the others are context.

Chosen by an expression (`--symptom`), or by itself. By itself it is the dropouts where anything dropped; else what a
person wrote down as seen; else the fault code with the most to tell. A code that only came while something was
unplugged speaks of the open circuit, and one about missing data of the controller that is missed: either is chosen
last.
"""

from collections.abc import Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.errors import InputError
from busdoc.symptoms.symptom import Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["DROPOUT", "choose_complaint", "controller_asked", "follows_opening", "named"]

DROPOUT = "dropout"
"""The expression that asks for dropouts."""
_BEFORE_UNPLUG_NS = 2 * SECOND_NS
_AFTER_UNPLUG_NS = 6 * SECOND_NS
"""A code this soon around an unplugging is the open circuit's (common practice)."""
_OPENS = (ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE)
_ORDER = (
    SymptomKind.SEEN,
    SymptomKind.CONDITION,
    SymptomKind.CODE,
    SymptomKind.STATUS,
    SymptomKind.COUNTER,
)


def choose_complaint(
    symptoms: Sequence[Symptom],
    actions: Sequence[Action],
    expression: str | None = None,
    *,
    patient: bool = False,
) -> Symptom | None:
    """Choose the symptom that is isolated; None: the dropouts, or nothing showed.

    Parameters
    ----------
    symptoms : all of the record, dropouts among them
    actions : what was done
    expression : what was asked for; None: nothing, and nothing dropped
    patient : what is asked for may be still to come: while it never showed there is no complaint

    Raises
    ------
    InputError : the expression names nothing that showed
    """
    if expression is not None:
        try:
            return named(symptoms, expression)
        except InputError:
            if patient:
                return None
            raise
    apart = (SymptomKind.DROPOUT, SymptomKind.BUS)
    asked = [one for one in symptoms if one.kind not in apart and one.spans]
    return max(asked, key=lambda one: _evidence(one, actions), default=None)


def named(symptoms: Sequence[Symptom], expression: str) -> Symptom | None:
    """Find the symptom that an expression names, `code:CONTROLLER:SPN/FMI`, say; None for `dropout`.

    Raises
    ------
    InputError : nothing of that name showed
    """
    expression = " ".join(expression.split())
    kind, _, rest = expression.partition(":")
    if kind == DROPOUT:
        return None
    others = [one for one in symptoms if one.kind is not SymptomKind.DROPOUT]
    fitting = [one for one in others if _is_named(one, kind, rest, expression)]
    if fitting:
        return max(fitting, key=lambda one: (one.n_came, len(one.spans)))
    known = ", ".join(f'"{one.name}"' for one in others[:6]) or "no symptom but dropouts"
    raise InputError("--symptom", "a symptom of this record", expression, f"Seen here: {known}.")


def controller_asked(expression: str) -> str | None:
    """Name the controller that an expression speaks of, where it says so.

    >>> controller_asked("code:hopper:3509/4"), controller_asked("code:3509/4"), controller_asked("seen:red lamp")
    ('hopper', None, None)
    """
    kind, _, rest = " ".join(expression.split()).partition(":")
    if kind in (SymptomKind.SEEN, SymptomKind.BUS) or kind not in list(SymptomKind):
        return None
    controller, colon, _ = rest.partition(":")
    return controller if controller and (colon or not _is_code(controller)) else None


def _is_code(text: str) -> bool:
    plain = _digits(text)
    return plain.startswith("0x") or "/" in plain or plain.isdigit()


def _is_named(one: Symptom, kind: str, rest: str, whole: str) -> bool:
    if whole.casefold() == one.name.casefold():
        return True
    if kind != one.kind.value:
        return False
    if one.kind is SymptomKind.BUS or not rest:
        return True  # of a bus nothing is there but what was asked for
    if one.kind is SymptomKind.SEEN:
        return rest.casefold() == one.name.partition(":")[2].casefold()
    controller, colon, code = rest.partition(":")
    if colon:
        return controller == one.controller and any(_same_code(code, own) for own in one.codes)
    return rest == one.controller or any(_same_code(rest, own) for own in one.codes)


def _same_code(asked: str, own: str) -> bool:
    """Whether `3509/4`, `SPN 3509 FMI 4`, `0x3120`, `EMCY 0x3120`, `5/1/4711` or `Alert 5/1/4711` means this code."""
    return _digits(asked) == _digits(own)


def _digits(text: str) -> str:
    plain = text.casefold()
    for word, instead in (("spn", ""), ("fmi", "/"), ("emcy", ""), ("alert", ""), (" ", "")):
        plain = plain.replace(word, instead)
    return plain.replace("//", "/")


def _evidence(one: Symptom, actions: Sequence[Action]) -> tuple[int, int, int, int]:
    """How much a symptom has to tell: what is a consequence last, then by kind, then by how often and how long."""
    opened_ns = [a.time_ns for a in actions if a.kind in _OPENS]
    own = [span for span in one.spans if not _follows(span.since_ns, opened_ns) or span.not_yet_ns is None]
    about_another = "segment" in one.points_at and one.kind is SymptomKind.CODE
    length_ns = sum((span.still_ns if span.gone_ns is None else span.gone_ns) - span.since_ns for span in own)
    return (bool(own) - about_another, -_ORDER.index(one.kind), len(own), length_ns)


def follows_opening(t_ns: int, actions: Sequence[Action]) -> bool:
    """Whether something came so soon around an unplugging that it speaks of the open circuit."""
    return _follows(t_ns, [a.time_ns for a in actions if a.kind in _OPENS])


def _follows(t_ns: int, opened_ns: Sequence[int]) -> bool:
    return any(-_BEFORE_UNPLUG_NS <= t_ns - at_ns <= _AFTER_UNPLUG_NS for at_ns in opened_ns)
