"""Hands that switch a supply while somebody is away: everybody on it restarts, whatever made them fall.

Takes the losses and the actions; gives the losses without what they seem to say of restarts.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busdoc.actions.action import POWER_KINDS, Action
from busdoc.isolation.suspects.losses import Losses
from busdoc.machine.machine import Machine
from busdoc.times import SECOND_NS

__all__ = ["apart_from_hands"]


def apart_from_hands(
    losses: Losses,
    controllers: Sequence[str],
    machine: Machine,
    actions: Sequence[Action],
    zero_ns: int,
    offset_s: float,
) -> Losses:
    """Forget how those came back whose supply was switched before they did: all restart then, whatever made them fall.

    Parameters
    ----------
    losses : of these controllers
    machine : with each of them
    actions : ascending by time
    zero_ns : what the seconds count from
    offset_s : the journal's clock minus the capture's, as far as it is known
    """
    p = losses.p_restarted.copy()
    for action in actions:
        if action.kind not in POWER_KINDS:
            continue
        at_s = (action.time_ns - zero_ns) / SECOND_NS - offset_s
        for c, name in enumerate(controllers):
            if action.part is None or action.part in machine.above(name):
                was_away = next(((a, b) for a, b in losses.away[c] if a < at_s < b), None)
                if was_away is not None:
                    p[losses.hit[:, c] & (losses.t_s >= was_away[0]) & (losses.t_s < at_s)] = np.nan
    return replace(losses, p_restarted=p)
