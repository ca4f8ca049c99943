"""Are two reports more alike than two recordings can be? Noise and air never repeat, an edited copy keeps them.

A copy that was made louder, trimmed, put off or stored anew has other checksums and other figures. Its levels, the mean
difference of each output at each position taken out, still differ by far less than the errors that both reports state.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyze.archive.opening import ReportRead

#: Differences re their stated error, the median of an output: 0.95 for two recordings of one thing if noise is all that
#: errs; of the same noise in another take 0.2 to 0.3, of the same sweep played again in air that stood still 0.005 to
#: 0.11, of copies edited as above 0.000 to 0.002 (nine simulated pairs, four copies; seen once, no command kept).
_TOO_ALIKE = 0.02
#: Fewest outputs and bands of each from which on that is said.
_FEWEST_OUTPUTS, _FEWEST_BANDS = 2, 12

#: Level and its standard error per band, in dB, of one output at one position.
_Bands = Mapping[float, tuple[float, float]]
#: The same of every output at every position: output -> position -> bands.
Levels = Mapping[str, Mapping[str, _Bands]]


def are_too_alike(older: ReportRead, newer: ReportRead) -> bool:
    """Whether for every output the levels of two reports differ by far less than by their errors."""
    return levels_too_alike(levels_of(older), levels_of(newer))


def levels_too_alike(then: Levels, now: Levels) -> bool:
    """The same of levels that were taken out of two reports."""
    import numpy as np

    n_told = 0
    for output, positions in then.items():
        heard = now.get(output, {})
        ratios = [one for position, levels in positions.items() for one in _ratios(levels, heard.get(position, {}))]
        if len(ratios) >= _FEWEST_BANDS:
            if float(np.median(ratios)) >= _TOO_ALIKE:
                return False
            n_told += 1
    return n_told >= _FEWEST_OUTPUTS


def levels_of(report: ReportRead) -> Levels:
    """Levels with their errors, those of a phase in radians as a share, where both are known."""
    found: dict[str, dict[str, dict[float, tuple[float, float]]]] = defaultdict(lambda: defaultdict(dict))
    for row in report.rows("bands") if "bands" in report.results else ():
        std_db = 20.0 / math.log(10.0) * math.radians(row["phase_std_deg"])
        if math.isfinite(row["level_db"]) and std_db > 0.0:
            found[row["output"]][row["position"]][row["band_hz"]] = row["level_db"], std_db
    return {output: dict(positions) for output, positions in found.items()}


def _ratios(then: _Bands, now: _Bands) -> list[float]:
    """Differences of level re their errors, band by band, without what is common to all bands."""
    import numpy as np

    both = [(*then[hz], *now[hz]) for hz in then if hz in now]
    if not both:
        return []
    db_then, std_then, db_now, std_now = np.array(both).T
    difference = db_now - db_then
    ratio = np.abs(difference - np.median(difference)) / np.hypot(std_then, std_now)
    return [float(one) for one in ratio]
