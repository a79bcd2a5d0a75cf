"""Fault codes by chance: episodes of several codes at once, for captures whose codes are to be found again."""

from collections.abc import Iterable

import numpy as np

from busdoc.simulation.protocol import CodeSpan

__all__ = ["random_codes"]

_SPNS = (84, 91, 94, 100, 102, 105, 110, 158, 167, 168, 171, 174, 175, 190, 520_192, 520_320, 523_000, 3509, 3510, 1208)
_FMIS = (2, 3, 4, 5, 8, 9, 12, 19, 31)


def random_codes(
    rng: np.random.Generator, controllers: Iterable[str], *, until_s: float, most: int = 20
) -> tuple[CodeSpan, ...]:
    """Raise and clear codes in episodes, each of up to `most` different ones, not all raised at once.

    Codes that change do so at least two seconds apart, since a controller may not announce changes of one code faster
    than once a second (SAE J1939-73 5.7.1).
    """
    spans: list[CodeSpan] = []
    for controller in controllers:
        at_s = float(rng.uniform(5.0, 15.0))
        counts: dict[tuple[int, int], int] = {}
        while at_s < until_s - 20.0:
            n = int(rng.integers(1, most + 1))
            spns = rng.permutation(len(_SPNS))[:n]
            n_waves = int(rng.integers(1, 4))
            hold_s = float(rng.uniform(6.0, 30.0))
            for k, spn in enumerate(_SPNS[int(i)] for i in spns):
                fmi = int(rng.choice(_FMIS))
                counts[spn, fmi] = min(counts.get((spn, fmi), 0) + 1, 126)
                raised_s = at_s + 2.0 * (k % n_waves)
                cleared_s = at_s + hold_s + 2.0 * (k % 2)
                spans.append(
                    CodeSpan(
                        controller=controller,
                        raised_s=raised_s,
                        cleared_s=cleared_s if cleared_s < until_s else None,
                        spn=spn,
                        fmi=fmi,
                        count=counts[spn, fmi],
                    )
                )
            at_s += hold_s + float(rng.uniform(8.0, 40.0))
    return tuple(spans)
