"""The next best setting of an output: one source for sheet, drawings, map and figures."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analyze.alignment.confidence import RIGHT_DB
from analyze.alignment.decision import EQUAL_DB
from analyze.alignment.device import rounded, setting_after
from analyze.alignment.grounds import SumGrounds
from analyze.reports.naming import shortened
from analyze.reports.summaries import number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analyze.alignment.grounds import Rival
    from analyze.pipeline import Analysis

# What two settings differ by at a seat from here on is worth going there to listen; seats are named so long.
_PLAIN_DB, _NAME_LENGTH = 1.0, 40


@dataclass(frozen=True)
class RunnerUp:
    """The next best setting of one output, on its device's step.

    cost_db : what it adds less than the setting in question, where the output meets others
    costs_at_db : the same seat by seat, as far as known
    """

    polarity: str
    delay_ms: float
    cost_db: float
    costs_at_db: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, analysis: Analysis, output: str, rival: Rival) -> RunnerUp:
        """A rival of an output's group as a setting of that output."""
        outputs = analysis.sound_check.outputs
        members = [outputs[name] for name in analysis.sound_check.group_of(output)]
        polarity, delay_ms = setting_after(outputs[output], rounded(members, rival.change))
        return cls(polarity, delay_ms, rival.margin_db)

    @property
    def is_as_good(self) -> bool:
        """Whether it costs no more than a setting may that counts as right, as far as is printed."""
        return round(self.cost_db, 1) <= RIGHT_DB

    @property
    def note(self) -> str:
        """That it is no rival, empty where it is one."""
        return "as good" if self.is_equal else f"as good within {RIGHT_DB:g} dB" if self.is_as_good else ""

    @property
    def where(self) -> str:
        """The seats at which it is plainly better and worse, most of all: where to listen; empty where at none.

        >>> RunnerUp("normal", 5.64, 0.2, {"desk": 4.2, "front left": -1.24, "back": -0.3}).where
        ': 1.2 dB better at front left, 4.2 dB worse at desk'
        """
        costs = {seat: db for seat, db in self.costs_at_db.items() if abs(db) >= _PLAIN_DB}
        ends = [min(costs, key=costs.__getitem__), max(costs, key=costs.__getitem__)] if costs else []
        said = [
            f"{number(abs(costs[seat]))} dB {word} at {shortened(seat, _NAME_LENGTH)}"
            for seat, word, sign in zip(ends, ("better", "worse"), (-1.0, 1.0), strict=False)
            if costs[seat] * sign > 0.0
        ]
        return f": {', '.join(said)}" if said else ""

    @property
    def is_equal(self) -> bool:
        """Whether no difference is told."""
        return self.cost_db <= EQUAL_DB


def scan_places(analysis: Analysis, output: str) -> dict[str, tuple[str, float]]:
    """What is marked on the scan of an output's delay: its name, polarity and delay in ms.

    Where nothing is decided the likeliest setting takes the place of what is recommended.
    """
    row = next((one for one in analysis.recommendations if one.output == output), None)
    places: dict[str, tuple[str, float]] = {}
    if row is not None:
        places["at present"] = row.setting_polarity, row.setting_delay_ms
        candidate = _candidate(analysis, output)
        if row.decision == "undecided" and candidate is not None:
            places["likeliest so far"] = candidate
        elif row.decision != "undecided":
            places["as recommended"] = row.recommended_polarity, row.recommended_delay_ms
    rival = runner_up(analysis, output)
    return places | ({"runner-up": (rival.polarity, rival.delay_ms)} if rival else {})


def _candidate(analysis: Analysis, output: str) -> tuple[str, float] | None:
    """The setting that a confidence judged by sums is of; None where there is none."""
    setting = next((one.setting for one in analysis.grounds if one.output == output), None)
    if not isinstance(setting, SumGrounds):
        return None
    outputs = analysis.sound_check.outputs
    members = [outputs[name] for name in analysis.sound_check.group_of(output)]
    return setting_after(outputs[output], rounded(members, setting.change))


def runner_up(analysis: Analysis, output: str) -> RunnerUp | None:
    """The runner-up of an output that is judged by sums; None where there is none."""
    setting = next((one.setting for one in analysis.grounds if one.output == output), None)
    if not isinstance(setting, SumGrounds) or setting.runner_up is None:
        return None
    costs_at_db = {name: one.runner_up_margin_db for name, one in setting.seats.items()}
    found = replace(RunnerUp.of(analysis, output, setting.runner_up), costs_at_db=costs_at_db)
    return found if math.isfinite(found.cost_db) else None
