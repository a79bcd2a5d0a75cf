"""The answer to 'which action did it?' for one incident."""

from dataclasses import dataclass

__all__ = ["Because"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Because:
    """The posterior over the recorded actions and 'none of them' for one incident."""

    incident: int
    """Index into the incidents that were given."""
    action: int | None
    """`Action.n` of the likeliest; None when 'none of them' wins."""
    probability: float
    """Of `action`; 0 when it is None."""
    spontaneous: float
    """Probability that no recorded action caused it."""
    lag_ns: int | None
    """Onset minus the action's written time; negative when the press came late. None when `action` is."""
    expected: bool
    """The action alone explains it: its power, its bus or its own connector was taken away."""
    weights: tuple[tuple[int, float], ...] = ()
    """(`Action.n`, probability) of every action with more than 0.001, highest first."""
