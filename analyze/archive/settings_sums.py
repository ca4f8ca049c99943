"""What the new settings did to the sum at every seat: as predicted, and as measured.

The measured change is that of the sum of all outputs re the sum of their magnitudes, so that neither the level of the
programme nor the gain of a microphone has a part in it. Errors: an output with the share w of all magnitudes and the
relative error e moves a sum of efficiency A by w e / A; e holds what each report states and what the two responses of
one output do not have in common.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

from analyze.acoustics import nominal_hz
from analyze.archive.comparison_change import BANDS_PER_OCTAVE
from analyze.archive.comparison_pairs import Pair
from analyze.archive.opening import ReportRead
from analyze.archive.settings_rows import BandGain, SeatGain

_DB_PER_NEPER = 20.0 / math.log(10.0)
#: A mean over a seat's bands repeats no better than this from one capture to the next, dB (common practice, no source).
_LEAST_STD_DB = 0.1
#: A sum this far under its magnitudes is lost in its errors.
_LEAST_EFFICIENCY = 0.1
#: A measured change is as predicted within this and two standard errors of both, dB.
_AS_PREDICTED_DB = 0.5

#: Per (position, band) the level in dB and relative error of every output.
_Levels = Mapping[tuple[str, float], Mapping[str, tuple[float, float]]]


def band_gains(before: ReportRead, after: ReportRead, pairs: Sequence[Pair]) -> tuple[BandGain, ...]:
    """Predicted and measured change per position and band, where both are known; none where bands differ in width."""
    if _bands_per_octave(before) != _bands_per_octave(after):
        return ()
    measured = {(row["position"], row["band_hz"]): row["present_db"] for row in after.rows("prediction")}
    then, now = _levels(before), _levels(after)
    unlike = _unlike(pairs)
    rows = []
    for row in before.rows("prediction"):
        key = (row["position"], row["band_hz"])
        change_db = measured.get(key, math.nan) - row["present_db"]
        if not (math.isfinite(change_db) and math.isfinite(row["change_db"])):
            continue
        present = _sum_error(then.get(key, {}), {}, row["present_db"])
        predicted = _sum_error(then.get(key, {}), {}, row["recommended_db"])
        shown = _sum_error(now.get(key, {}), unlike.get(key, {}), measured[key])
        difference_db, error_db = change_db - row["change_db"], math.hypot(predicted, shown)
        rows.append(
            BandGain(
                position=row["position"],
                zone=row["zone"],
                band_hz=row["band_hz"],
                predicted_change_db=row["change_db"],
                predicted_change_std_db=math.hypot(present, predicted),
                measured_change_db=change_db,
                measured_change_std_db=math.hypot(present, shown),
                difference_db=difference_db,
                difference_std_db=error_db,
                cell=row["cell"],
                as_predicted=_as_predicted(difference_db, error_db),
            )
        )
    return tuple(rows)


def _bands_per_octave(report: ReportRead) -> object:
    return report.results.get("options", {}).get("bands_per_octave")


def seat_gains(bands: Sequence[BandGain]) -> tuple[SeatGain, ...]:
    """Means over the cells of every position that has some."""
    cells: dict[str, list[BandGain]] = defaultdict(list)
    for row in bands:
        if row.cell == "yes":
            cells[row.position].append(row)
    return tuple(_seat(position, rows) for position, rows in cells.items())


def _seat(position: str, rows: Sequence[BandGain]) -> SeatGain:
    """Means over the cells of one position; the errors of bands are taken as independent."""
    n = len(rows)
    predicted = sum(row.predicted_change_db for row in rows) / n
    measured = sum(row.measured_change_db for row in rows) / n
    error = math.hypot(math.hypot(*(row.difference_std_db for row in rows)) / n, _LEAST_STD_DB)
    return SeatGain(
        position=position,
        zone=rows[0].zone,
        cells=n,
        predicted_change_db=predicted,
        predicted_change_std_db=math.hypot(*(row.predicted_change_std_db for row in rows)) / n,
        measured_change_db=measured,
        measured_change_std_db=math.hypot(math.hypot(*(r.measured_change_std_db for r in rows)) / n, _LEAST_STD_DB),
        difference_db=measured - predicted,
        difference_std_db=error,
        as_predicted=_as_predicted(measured - predicted, error),
    )


def _as_predicted(difference_db: float, std_db: float) -> str:
    return "yes" if abs(difference_db) <= _AS_PREDICTED_DB + 2.0 * std_db else "no"


def _levels(report: ReportRead) -> _Levels:
    """Level and relative error of every output per position and band, from its newest capture."""
    found: dict[tuple[str, float], dict[str, tuple[float, float]]] = defaultdict(dict)
    for row in report.rows("bands"):
        if math.isfinite(row["level_db"]) and math.isfinite(row["phase_std_deg"]):
            error = math.radians(row["phase_std_deg"])
            found[row["position"], row["band_hz"]][row["output"]] = (row["level_db"], error)
    return found


def _unlike(pairs: Sequence[Pair]) -> dict[tuple[str, float], dict[str, float]]:
    """Per position and band what the two responses of every output do not have in common, as a relative error."""
    found: dict[tuple[str, float], dict[str, float]] = defaultdict(dict)
    for pair in pairs:
        for hz, std_db in zip(pair.change.band_hz, pair.change.band_std_db, strict=True):
            if math.isfinite(std_db):
                band_hz = nominal_hz(float(hz), BANDS_PER_OCTAVE)
                found[pair.position, band_hz][pair.output] = float(std_db) / _DB_PER_NEPER
    return found


def _sum_error(levels: Mapping[str, tuple[float, float]], unlike: Mapping[str, float], efficiency_db: float) -> float:
    """Standard error of a sum in dB."""
    magnitudes = {output: 10.0 ** (level_db / 20.0) for output, (level_db, _) in levels.items()}
    total = sum(magnitudes.values())
    efficiency = max(10.0 ** (efficiency_db / 20.0), _LEAST_EFFICIENCY)
    parts = [
        magnitudes[output] / total * math.hypot(error, unlike.get(output, 0.0)) for output, (_, error) in levels.items()
    ]
    return _DB_PER_NEPER * math.hypot(*parts) / efficiency if parts else math.nan
