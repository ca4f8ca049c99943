"""Does the high section of a box push when its lowest driver does?

A two-way crossover that adds without a hole leaves an all-pass: far above the crossover its phase is a whole turn less
`b / f`, or half a turn where the order asks for the upper way to be turned over (Linkwitz 1976, JAES 24(1), from
memory). So the phase of the first arrival, extrapolated to where `b / f` has died away, is 0 or pi: the sign of the
upper way against the feed. Set against the wiring, which is the lowest driver's, it tells a driver that is connected
the wrong way round, or a crossover that wants it so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analyze.findings import Finding

_COMPARE = (
    "Some crossovers (second order) are built so, and then every box of its kind shows it; else one driver in the box "
    "is connected the wrong way round: compare it with another box of its kind."
)
_BUILT_SO = (
    "Every {kind} that could be told shows it, so the crossover is most likely built so (second order). Where it is "
    "not, one driver in each of these boxes is connected the wrong way round."
)
#: Mean cosine to the lowest driver's sign below which the high section is called opposite.
_OPPOSITE = -0.5


def opposite_high_sections(phases_rad: Mapping[str, Sequence[float]], kinds: Mapping[str, str]) -> list[Finding]:
    """A finding for every output whose high section is of the opposite sign to its lowest driver.

    A note where several outputs of a kind could be told and all show it: so they are built.

    phases_rad : per output, phases of its high section re its lowest driver wherever they could be told
    kinds : the kind of every output
    """
    cosines = {output: np.cos(phases) for output, phases in phases_rad.items() if phases}
    opposite = [output for output, cosine in cosines.items() if float(np.mean(cosine)) <= _OPPOSITE]
    findings = []
    for output in opposite:
        alike = [other for other in cosines if kinds[other] == kinds[output]]
        is_built_so = len(alike) > 1 and all(other in opposite for other in alike)
        n = int(np.sum(cosines[output] < 0.0))
        detail = f"The high section pulls where the lowest driver pushes, at {_share(n, len(cosines[output]))}. "
        detail += _BUILT_SO.format(kind=kinds[output]) if is_built_so else _COMPARE
        findings.append(
            Finding(
                "high section of opposite sign",
                "note" if is_built_so else "warning",
                detail,
                track=output,
                value=float(n),
                unit="positions",
            )
        )
    return findings


def _share(n: int, n_told: int) -> str:
    """At how many of the positions where it could be told.

    >>> _share(7, 7), _share(3, 4)
    ('all positions that tell', 'most positions that tell')
    """
    return f"{'all' if n == n_told else 'most'} positions that tell"
