"""From a description to an analysis: the one page on which the whole way can be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyze.alignment.rows import (
        DelayScan,
        InputPair,
        MonitorTrick,
        Pair,
        Prediction,
        Recommendation,
        Robustness,
    )
    from analyze.description import SoundCheck
    from analyze.findings import Finding
    from analyze.responses.rows import Arrival, Band, Wiring
    from analyze.responses.transfer import ImpulseResponse, Responses


@dataclass(frozen=True)
class InputFile:
    """One audio file that was read: path relative to the description, SHA-256, size and format."""

    path: str
    sha256: str
    n_bytes: int
    sample_rate_hz: int
    n_channels: int
    n_frames: int
    format: str


@dataclass(frozen=True)
class Analysis:
    """Everything found in one sound check: what every table, plot and page is drawn from.

    responses : merged over captures, at present settings
    recommended_change : per output (sign, delay_ms) that turns the present sum into the recommended one
    score_present_db, score_recommended_db : sum efficiency over the audience cells
    arrival_present_ms : per (output, position) pure delay at present settings
    """

    sound_check: SoundCheck
    bands_per_octave: int
    version: str
    input_files: tuple[InputFile, ...]
    recommendations: tuple[Recommendation, ...]
    wiring: tuple[Wiring, ...]
    arrivals: tuple[Arrival, ...]
    bands: tuple[Band, ...]
    pairs: tuple[Pair, ...]
    prediction: tuple[Prediction, ...]
    robustness: tuple[Robustness, ...]
    inputs: tuple[InputPair, ...]
    findings: tuple[Finding, ...]
    responses: Responses
    impulse_responses: tuple[ImpulseResponse, ...]
    delay_scans: tuple[DelayScan, ...]
    monitor_tricks: tuple[MonitorTrick, ...]
    recommended_change: dict[str, tuple[float, float]]
    score_present_db: float
    score_recommended_db: float
    arrival_present_ms: dict[tuple[str, str], float]

    @property
    def is_undecided(self) -> bool:
        """Whether any output is left undecided (exit code 5)."""
        return any(row.decision == "undecided" for row in self.recommendations)
