"""`results.json`: everything in the tables and more, as one object for programs.

Numbers are rounded as in the tables; what is not known is null. `analyze run --json` prints the same object.
"""

from __future__ import annotations

import dataclasses
import hashlib
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.description_text import FILE_NAME
from analyze.reports.columns import DECIMALS, PROBABILITY_DECIMALS, TABLES
from analyze.reports.datapackage import FORMAT, PROGRAM
from analyze.reports.page_sheet import identity
from analyze.reports.plots import plots
from analyze.reports.short_takes import soundings, too_short
from analyze.reports.tables import records
from analyze.reports.wav import response_files

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.pipeline import Analysis
    from analyze.reports.plots import Plot

# Where the description lies is the user's own affair; its findings are in the quality table.
_LEFT_OUT = ("path", "folder", "findings", "source", "unused")


def results_object(analysis: Analysis) -> dict[str, Any]:
    """The object of `results.json` for an analysis."""
    return results_with(analysis, plots(analysis))


def results_with(analysis: Analysis, drawn: Sequence[Plot]) -> dict[str, Any]:
    """The whole analysis but the samples of the responses, fit for JSON: keys are those of the tables and columns.

    `short_takes` holds captures with too little sound, and of which outputs; `fingerprint` is what the page calls so:
    of description and audio; `responses` maps output and position to the file of the impulse response, `plots`
    lists every drawing with its title and what it shows in words.
    """
    return {
        "format": FORMAT,
        "program": {"name": PROGRAM, "version": analysis.version, "libraries": analysis.libraries},
        "options": {"bands_per_octave": analysis.bands_per_octave},
        "sound_check": _description(analysis.sound_check),
        "description_file": _description_file(analysis.sound_check.source),
        "fingerprint": identity(analysis),
        "input_files": [_plain(one) for one in analysis.input_files],
        "is_undecided": analysis.is_undecided,
        "score": {
            "present_db": _rounded(analysis.score_present_db, "db"),
            "recommended_db": _rounded(analysis.score_recommended_db, "db"),
        },
        "recommended_change": {
            output: {"sign": int(sign), "delay_ms": _rounded(delay_ms, "ms")}
            for output, (sign, delay_ms) in analysis.recommended_change.items()
        },
        **{table.name: records(analysis, table) for table in TABLES},
        "arrivals_present": _arrivals_present(analysis),
        "grounds": _by_unit("", analysis.grounds),
        "proofs": _by_unit("", analysis.proofs),
        "delay_scans": _scans(analysis),
        "monitor_tricks": _tricks(analysis),
        "short_takes": [_plain(one) for one in too_short(soundings(analysis))],
        "responses": _responses(analysis),
        "plots": plots_object(drawn),
    }


def _rounded(value: float, unit: str) -> float | None:
    """A number with the decimals of its unit, None where it is not known."""
    return round(float(value), DECIMALS[unit]) + 0.0 if math.isfinite(value) else None


def _plain(value: Any) -> Any:
    """Dataclasses, mappings, sequences and paths as what JSON knows; NaN and infinities as None."""
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Path):
        return value.name
    if dataclasses.is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return str(value)


def _description(sound_check: Any) -> dict[str, Any]:
    """The description as it was understood, every default resolved, without where it lies."""
    names = [one.name for one in dataclasses.fields(sound_check) if one.name not in _LEFT_OUT]
    return {name: _plain(getattr(sound_check, name)) for name in names}


def _description_file(source: bytes) -> dict[str, Any]:
    """The description as it was read: the file of the report that holds it, its size and its SHA-256."""
    return {"path": FILE_NAME, "n_bytes": len(source), "sha256": hashlib.sha256(source).hexdigest()}


def _arrivals_present(analysis: Analysis) -> list[dict[str, Any]]:
    """Pure delay of every output at every position at present settings, captures merged."""
    return [
        {"output": output, "position": position, "arrival_ms": _rounded(arrival_ms, "ms")}
        for (output, position), arrival_ms in analysis.arrival_present_ms.items()
    ]


def _by_unit(name: str, value: Any) -> Any:
    """A value as what JSON knows, numbers with the decimals of the unit at the end of their name or a probability's."""
    if isinstance(value, float):
        decimals = DECIMALS.get(name.rpartition("_")[2], PROBABILITY_DECIMALS)
        return round(value, decimals) + 0.0 if math.isfinite(value) else None
    if name == "change":
        return {"sign": int(value[0]), "delay_ms": _rounded(value[1], "ms")}
    if dataclasses.is_dataclass(value):
        return {one.name: _by_unit(one.name, getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _by_unit(key, one) for key, one in value.items()}
    if isinstance(value, tuple):
        return [_by_unit("", one) for one in value]
    return value


def _scans(analysis: Analysis) -> list[dict[str, Any]]:
    """The score over the delay of every group."""
    return [
        {
            "outputs": list(one.outputs),
            "searched_ms": [_rounded(v, "ms") for v in one.searched_ms],
            "delay_ms": [_rounded(v, "ms") for v in one.delay_ms],
            "normal_db": [_rounded(v, "db") for v in one.normal_db],
            "inverted_db": [_rounded(v, "db") for v in one.inverted_db],
            "normal_std_db": [_rounded(v, "db") for v in one.normal_std_db],
            "inverted_std_db": [_rounded(v, "db") for v in one.inverted_std_db],
        }
        for one in analysis.delay_scans
    ]


def _tricks(analysis: Analysis) -> list[dict[str, Any]]:
    """What inverting a monitor on purpose would do; shown, never recommended."""
    return [
        {
            "output": one.output,
            "thinner_db": _rounded(one.thinner_db, "db"),
            "after_fader_db": _rounded(one.after_fader_db, "db"),
            "audience_db": _rounded(one.audience_db, "db"),
        }
        for one in analysis.monitor_tricks
    ]


def _responses(analysis: Analysis) -> dict[str, dict[str, str]]:
    """File of every impulse response: output -> position -> file."""
    files: dict[str, dict[str, str]] = {}
    for (output, position), path in response_files(analysis.impulse_responses).items():
        files.setdefault(output, {})[position] = path
    return files


def plots_object(drawn: Sequence[Plot]) -> list[dict[str, str]]:
    """Every drawing: its files, its title and what it shows in words."""
    return [{"svg": one.svg, "png": one.png, "title": one.title, "text": one.text} for one in drawn]
