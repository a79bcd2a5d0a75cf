"""What was summed last, kept for who asks the same again.

Attribution and verdict ask of the same record one after the other. They differ at most in the priors, which come after
the sums over the rates; and those are most of the work of a look.
"""

from hashlib import blake2b

import numpy as np

from busdoc.isolation.suspects.sets.likelihood import SetLikelihoods, Terms, likelihoods_of_sets

__all__ = ["likelihoods_once"]

_KEPT = 2
"""Sums that are kept (bound on work, and on memory: some megabytes each)."""
_lately: dict[bytes, SetLikelihoods] = {}


def likelihoods_once(terms: Terms) -> SetLikelihoods:
    """Give what `likelihoods_of_sets` gives, summed once for the same terms."""
    key = _digest(terms)
    found = _lately.get(key)
    if found is None:
        found = likelihoods_of_sets(terms)
        while len(_lately) >= _KEPT:
            _lately.pop(next(iter(_lately)), None)
        _lately[key] = found
    return found


def _digest(terms: Terms) -> bytes:
    """Name what is summed by its content."""
    found = blake2b(f"{terms.n_incidents} {terms.hazard.shape} {len(terms.calm)}".encode(), digest_size=16)
    for array in (terms.hazard, terms.survival, terms.background, terms.calm):
        found.update(np.ascontiguousarray(array).tobytes())
    return found.digest()
