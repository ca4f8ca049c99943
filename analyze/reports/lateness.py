"""How far every output is from where it should be in time, at every position, as recommended."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.alignment.arrivals import RIGHT_MS
from analyze.alignment.grounds import TimingGrounds
from analyze.reports.selections import BY_ARRIVAL
from analyze.responses.feed_relations import EQUAL, sent_relative

if TYPE_CHECKING:
    from analyze.pipeline import Analysis


@dataclass(frozen=True)
class Late:
    """What an output arrives late at one position as recommended, against the reference and what was asked.

    std_ms : of it, NaN where not known; is_aligned : whether its delay was chosen for this position
    """

    late_ms: float
    std_ms: float
    is_aligned: bool

    @property
    def is_vague(self) -> bool:
        """Whether twice the error is more than what counts as in time."""
        return 2.0 * self.std_ms > RIGHT_MS

    @property
    def is_in_time(self) -> bool:
        """Whether nothing is told from being in time."""
        return abs(self.late_ms) <= (2.0 * self.std_ms if self.is_vague else RIGHT_MS)


def late_as_recommended(analysis: Analysis) -> dict[tuple[str, str], Late]:
    """Per (output, position) how late it arrives as recommended, where it and the reference are heard.

    Feeds that carry the programme later than the reference's are allowed for; the wanted lateness of fills and towers
    is taken off.
    """
    check, arrivals = analysis.sound_check, analysis.arrival_present_ms
    sent = sent_relative(analysis.feed_relations, tuple(check.outputs), check.reference)
    stds = {(one.output, at.position): at.arrival_std_ms for one in analysis.grounds for at in one.positions}
    settings = {one.output: one.setting for one in analysis.grounds}
    found = {}
    for (output, position), arrival_ms in arrivals.items():
        reference_ms = arrivals.get((check.reference, position), math.nan)
        described, setting = check.outputs[output], settings.get(output)
        moved_ms = analysis.recommended_change.get(output, (1.0, 0.0))[1] + sent.get(output, EQUAL)[1]
        wanted_ms = described.later_ms if described.kind in BY_ARRIVAL else 0.0
        late_ms = arrival_ms + moved_ms - reference_ms - wanted_ms
        if output == check.reference or not math.isfinite(late_ms):
            continue
        std_ms = math.hypot(*(stds.get((name, position), math.nan) for name in (output, check.reference)))
        is_aligned = isinstance(setting, TimingGrounds) and position in setting.seats.get(output, ())
        found[output, position] = Late(late_ms, std_ms, is_aligned)
    return found
