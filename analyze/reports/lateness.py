"""How long after the first main every output arrives, at every position, at present and as recommended.

What a listener takes for the source is the main that arrives first at the seat, whichever was named as reference; an
output is heard late against that one. Positive is later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.alignment.arrivals import RIGHT_MS
from analyze.alignment.grounds import TimingGrounds
from analyze.alignment.robustness import AIR_K, COLDEST_C, HOTTEST_C
from analyze.reports.selections import BY_ARRIVAL
from analyze.responses.feed_relations import EQUAL, sent_relative

if TYPE_CHECKING:
    from analyze.pipeline import Analysis

#: A main this much quieter than the loudest one there is not what the seat goes by, even if it comes first: the law of
#: the first wavefront holds while the second sound is no more than 10 dB louder (Haas 1951, Acustica 1, from memory).
UNHEEDED_DB = 10.0


@dataclass(frozen=True)
class Late:
    """How much later an output arrives at one position than another one.

    against : that other one; present_ms, recommended_ms : at these settings; std_ms : of both, NaN where not known
    asked_ms : against the reference, what it was to be where its delay was chosen for this position, else NaN
    off_ms : against the reference as recommended, less what was asked
    """

    against: str
    present_ms: float
    recommended_ms: float
    std_ms: float
    asked_ms: float = math.nan
    off_ms: float = math.nan

    @property
    def is_aligned(self) -> bool:
        """Whether its delay was chosen for this position."""
        return math.isfinite(self.asked_ms)

    @property
    def is_vague(self) -> bool:
        """Whether twice the error is more than what counts as in time."""
        return 2.0 * self.std_ms > RIGHT_MS

    @property
    def is_in_time(self) -> bool:
        """Whether nothing is told from being in time: as asked where it was chosen for it, else with the first."""
        late_ms = self.off_ms if self.is_aligned else self.recommended_ms
        return abs(late_ms) <= (2.0 * self.std_ms if self.is_vague else RIGHT_MS)


def first_mains(analysis: Analysis) -> dict[str, str]:
    """Per position the main that arrives first there as recommended; the reference where no main is heard.

    Mains that are much quieter there than the loudest of them are not heeded.
    """
    check, arrivals = analysis.sound_check, _recommended_ms(analysis)
    levels, found = seat_levels_db(analysis), {}
    for position in check.positions:
        mains = [o for o, p in arrivals if p == position and check.outputs[o].kind == "main"]
        heard = {name: levels.get((name, position), math.nan) for name in mains}
        least_db = max((db for db in heard.values() if math.isfinite(db)), default=-math.inf) - UNHEEDED_DB
        heeded = [name for name, db in heard.items() if not db < least_db]
        if heeded:
            found[position] = min(heeded, key=lambda name: arrivals[name, position])
        elif (check.reference, position) in arrivals:
            found[position] = check.reference
    return found


def seat_levels_db(analysis: Analysis) -> dict[tuple[str, str], float]:
    """Level of every output at every position in the band in which its arrival was found, of the newest capture."""
    return {(row.output, row.position): row.level_db for row in analysis.arrivals if math.isfinite(row.level_db)}


def late_after_first(analysis: Analysis) -> dict[tuple[str, str], Late]:
    """Per (output, position) how long after the first main it arrives, that main itself left out.

    Feeds that carry the programme later than the reference's are allowed for.
    """
    first, recommended = first_mains(analysis), _recommended_ms(analysis)
    stds = {(one.output, at.position): at.arrival_std_ms for one in analysis.grounds for at in one.positions}
    found = {}
    for (output, position), arrival_ms in recommended.items():
        against = first.get(position, output)
        if against == output:
            continue
        late_ms = arrival_ms - recommended[against, position]
        moved_ms = _moved_ms(analysis, output) - _moved_ms(analysis, against)
        std_ms = math.hypot(*(stds.get((name, position), math.nan) for name in (output, against)))
        asked_ms, off_ms = _asked(analysis, recommended, output, position)
        found[output, position] = Late(against, late_ms - moved_ms, late_ms, std_ms, asked_ms, off_ms)
    return found


def air_shifts_ms(analysis: Analysis) -> dict[tuple[str, str], tuple[float, ...]]:
    """Per (output, position) it was lined up at, how much later against the reference in air warmer, and colder.

    Ways are flights: arrivals without settings and latencies, of which one that is not given counts as nought.
    """
    check = analysis.sound_check
    now_m_s = speed_of_sound_simple(check.temperature_c)
    then_c = [min(max(check.temperature_c + kelvin, COLDEST_C), HOTTEST_C) for kelvin in AIR_K]
    longer = [now_m_s / speed_of_sound_simple(celsius) - 1.0 for celsius in then_c]
    found = {}
    for (output, position), one in late_after_first(analysis).items():
        if one.is_aligned and (check.reference, position) in analysis.arrival_present_ms:
            farther_ms = _flight_ms(analysis, output, position) - _flight_ms(analysis, check.reference, position)
            found[output, position] = tuple(farther_ms * share for share in longer)
    return found


def _flight_ms(analysis: Analysis, output: str, position: str) -> float:
    """How long sound is on its way; never less than nought."""
    described = analysis.sound_check.outputs[output]
    latency_ms = described.latency_ms if math.isfinite(described.latency_ms) else 0.0
    return max(0.0, analysis.arrival_present_ms[output, position] - described.setting.delay_ms - latency_ms)


def _recommended_ms(analysis: Analysis) -> dict[tuple[str, str], float]:
    """Per (output, position) when it arrives as recommended, what its feed carries later included."""
    check = analysis.sound_check
    sent = sent_relative(analysis.feed_relations, tuple(check.outputs), check.reference)
    return {
        (output, position): arrival_ms + _moved_ms(analysis, output) + sent.get(output, EQUAL)[1]
        for (output, position), arrival_ms in analysis.arrival_present_ms.items()
        if math.isfinite(arrival_ms)
    }


def _moved_ms(analysis: Analysis, output: str) -> float:
    """What is recommended to change of its delay."""
    return analysis.recommended_change.get(output, (1.0, 0.0))[1]


def _asked(
    analysis: Analysis, recommended_ms: dict[tuple[str, str], float], output: str, position: str
) -> tuple[float, float]:
    """What was asked of an output against the reference, and how far off it comes; NaN where nothing was asked."""
    described = analysis.sound_check.outputs[output]
    setting = next((one.setting for one in analysis.grounds if one.output == output), None)
    is_judged = isinstance(setting, TimingGrounds) and position in setting.seats.get(output, ())
    if described.kind not in BY_ARRIVAL or not is_judged:
        return math.nan, math.nan
    reference_ms = recommended_ms.get((analysis.sound_check.reference, position), math.nan)
    return described.later_ms, recommended_ms[output, position] - reference_ms - described.later_ms
