"""How a probability is written: never surer than it is."""

__all__ = ["odds"]


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
