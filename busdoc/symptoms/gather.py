"""All symptoms of one record: what fell, which codes were active, what a person saw."""

from collections.abc import Sequence

from busdoc.actions.action import Action
from busdoc.health.codes.code import FaultCode
from busdoc.health.summary import Health
from busdoc.machine.machine import Machine
from busdoc.symptoms.of_codes import code_symptoms
from busdoc.symptoms.of_losses import loss_symptoms
from busdoc.symptoms.of_person import seen_symptoms
from busdoc.symptoms.symptom import Symptom

__all__ = ["gather_symptoms"]


def gather_symptoms(
    machine: Machine,
    health: Health,
    codes: Sequence[FaultCode],
    actions: Sequence[Action],
    expected: frozenset[int] = frozenset(),
    further: Sequence[Symptom] = (),
) -> tuple[Symptom, ...]:
    """Gather the symptoms, those of the traffic first.

    Parameters
    ----------
    codes : by the names that `health` gave to the controllers
    actions : what was done and seen, ascending by time
    expected : places among `health.incidents` of those that an action explains
    further : what was asked for beside: conditions on signals
    """
    return (
        *loss_symptoms(health, expected),
        *code_symptoms(codes, health, machine),
        *further,
        *seen_symptoms(actions, machine, health.until_ns),
    )
