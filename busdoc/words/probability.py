"""How a probability is written: never surer than it is."""

import math

__all__ = ["confidence", "odds", "odds_in_column"]


def odds(probability: float) -> str:
    """Write a probability in per cent; nothing that was inferred is certain.

    >>> odds(0.874), odds(0.9991), odds(0.0004), odds(0.0), odds(1.0)
    ('87 %', 'over 99 %', 'under 1 %', 'under 1 %', 'over 99 %')
    """
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{probability * 100:.0f} %"


def odds_in_column(probability: float) -> str:
    """Write the same in a narrow column.

    >>> [odds_in_column(p) for p in (0.874, 0.9991, 0.0004)]
    ['87 %', '>99 %', '<1 %']
    """
    return odds(probability).replace("over ", ">").replace("under ", "<")


def confidence(share: float) -> str:
    """Write how surely something is proved that is watched until it is: rounded down, and never a hundred per cent.

    >>> confidence(0.978), confidence(0.9912), confidence(0.99999)
    ('97 %', '99.1 %', 'more than 99.9 %')
    """
    if share > 0.999:
        return "more than 99.9 %"
    return f"{100 * share:.1f} %" if share >= 0.99 else f"{math.floor(100 * share)} %"
