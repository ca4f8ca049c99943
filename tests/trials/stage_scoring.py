"""An analysis of stage inputs held against the truth of its case, and the simple methods likewise.

A polarity is right when it is that of chains and drum heads. The error of a delay is taken of every pair whose polarity
was decided, between overheads from the drum that lies nearest. The simple methods look at the whole take, 22 ms around.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from scipy import fft

from analyze.pipeline import Analysis
from analyze.responses.rows import InputPair
from tests.trials.rows import Row, row
from tests.trials.stage_cases import StageCase
from tests.trials.stage_kit import Pair
from tests.trials.stage_sounds import RATE_HZ
from tests.trials.yardsticks import lags_of, top_of

_FARTHEST_S = 0.022


def stage_score(case: StageCase, analysis: Analysis) -> list[Row]:
    """Polarity and delay of every pair; findings that are not so."""
    rows = []
    for found in analysis.inputs:
        pair = case.pair(found.input)
        where = f"{found.input} against {found.against}"
        is_right = _known(found) * (_likelier_is_normal(found) == (pair.sign > 0))
        claim = found.polarity_confidence
        rows.append(row(case, "stage polarity", where, pair.kind, found.polarity, claim=claim, is_right=is_right))
        if found.polarity != "undecided" and pair.delays_ms:
            error_ms, std_ms = _error_ms(pair, found.relative_delay_ms), found.relative_delay_std_ms
            rows.append(row(case, "stage delay", where, pair.kind, found.polarity, value=error_ms, other=std_ms))
    said = {(f.finding, f.track) for f in analysis.findings if f.severity != "note"}
    false = [(name, track) for name, track in said if name != "clipping" or track not in case.clipped]
    return [*rows, *(row(case, "false finding", track, "", name) for name, track in sorted(false))]


def _known(found: InputPair) -> float:
    """1 where a polarity is decided or a likelier one named, else NaN."""
    return 1.0 if found.polarity != "undecided" or "Likelier" in found.reason else math.nan


def _likelier_is_normal(found: InputPair) -> bool:
    return found.polarity == "normal" or (found.polarity == "undecided" and "Likelier normal" in found.reason)


def _error_ms(pair: Pair, delay_ms: float) -> float:
    return min(abs(delay_ms - true_ms) for true_ms in pair.delays_ms)


def stage_yardstick_rows(case: StageCase, _: Path) -> list[Row]:
    """Polarity and delay of every pair by every simple method; `decision` is the method."""
    length = len(next(iter(case.tracks.values())))
    n = fft.next_fast_len(length + round(_FARTHEST_S * RATE_HZ), real=True)
    spectra = {name: fft.rfft(track.astype(np.float32), n) for name, track in case.tracks.items()}
    rows = []
    for pair in [p for p in case.pairs if p.delays_ms]:
        where = f"{pair.name} against {pair.against}"
        for method, lags in lags_of(spectra[pair.against], spectra[pair.name], n).items():
            time_s, sign = top_of(lags, RATE_HZ, (-_FARTHEST_S, _FARTHEST_S))
            is_right, error_ms = sign == pair.sign, _error_ms(pair, 1000.0 * time_s)
            rows.append(row(case, "yardstick stage", where, pair.kind, method, is_right=is_right, value=error_ms))
    return rows


def about_stage(case: StageCase) -> Row:
    """What a case is like; value: number of inputs."""
    clipped = "".join(f"; {name} clips" for name in case.clipped)
    return row(case, "case", f"stage; {case.how}{clipped}", n=len(case.pairs), value=len(case.tracks))
