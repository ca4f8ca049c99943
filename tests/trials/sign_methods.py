"""Ways to tell which way up an output is, side by side: `python -m tests.trials.sign_methods --cases 30 --seed 76`.

Every method sees the same responses of the same cases and gives evidence, positive for `normal`, per output and
position: the program's own (minimum phase of the level taken out, two hypotheses of the first arrival), a parametric
fit, the first excursion, and the first two together. The sign of a microphone chain is known here; a row that says
nothing counts as undecided. Pooled: the signs of an output's positions summed.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyze.description import load_sound_check
from analyze.responses.arrival import SIGN_HIGHEST_HZ, Evidence
from analyze.responses.capture import Measured, measure, usable_tracks
from tests.trials.boxes import Filter
from tests.trials.cases import FAMILIES, Case, make_case
from tests.trials.rows import kind_of

OWN, FIT, EXCURSION, BOTH = (
    "two hypotheses, minimum phase out",
    "parametric fit",
    "first excursion",
    "first two together",
)
_LOW_HZ = 20.0
#: Corners in Hz and Q of the high-passes, and corners of the low-passes, that the fit tries.
_HIGH_HZ, _Q, _LOW_PASS_HZ = (26.0, 32.0, 40.0, 55.0, 75.0, 100.0), (0.5, 0.7, 1.0), (70.0, 85.0, 100.0, 120.0)
#: Time span of the transform that scans delays, and how much the noise of the fit's evidence weighs.
_N_SCAN = 8192
#: An excursion counts from this share of the largest on, and this far over what comes before.
_SHARE, _OVER_NOISE = 0.25, 6.0
_FIT_WEIGHT = 8.0


@dataclass(frozen=True)
class Heard:
    """One output at one position: response (line,) with its variance, and what the program made of it."""

    h: NDArray[np.complex64]
    variance: NDArray[np.float32]
    frequency_hz: NDArray[np.float64]
    evidence: Evidence

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Lines of the band in which the sign is looked for."""
        high_hz = min(self.evidence.band_high_hz * 1.5, SIGN_HIGHEST_HZ)
        low_hz = max(_LOW_HZ, self.evidence.band_low_hz / 1.5)
        return (self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz)


def parametric(heard: Heard) -> float:
    """Evidence of the box model, delay and sign that fit best: the difference of the best likenesses of both signs.

    High-pass of second or fourth order, low-pass of none, second, third or fourth: likeness re the energy, -1..1.
    """
    inside = heard.inside
    f, h = heard.frequency_hz[inside], heard.h[inside].astype(np.complex128)
    weight = 1.0 / (heard.variance[inside] + 0.1 * np.mean(np.abs(h) ** 2))
    energy = float(np.sum(weight * np.abs(h) ** 2))
    best = {1.0: 0.0, -1.0: 0.0}
    for model in _models(f):
        scan = _likeness(weight * h * model.conj(), inside, heard)
        scale = math.sqrt(energy * float(np.sum(weight * np.abs(model) ** 2)))
        for sign in best:
            best[sign] = max(best[sign], float((sign * scan).max()) / scale)
    return _FIT_WEIGHT * (best[1.0] - best[-1.0])


def _models(f: NDArray[np.float64]) -> Iterator[NDArray[np.complex128]]:
    """Boxes at frequencies f (line,): every enclosure behind every low-pass."""
    for corner_hz in _HIGH_HZ:
        s = 1j * f / corner_hz
        closed = [s**2 / (s**2 + s / q + 1.0) for q in _Q]
        vented = s**4 / ((s**2 + 0.76536686 * s + 1.0) * (s**2 + 1.84775907 * s + 1.0))
        for box in (*closed, vented):
            yield box
            for family in ("LR2", "BW3", "LR4"):
                for low_hz in _LOW_PASS_HZ:
                    yield box * Filter(family, low_hz, "low").response(f)


def _likeness(product: NDArray[np.complex128], inside: NDArray[np.bool_], heard: Heard) -> NDArray[np.float64]:
    """Real likeness over delays around the strongest sound."""
    spectrum = np.zeros(_N_SCAN, dtype=np.complex128)
    lines = np.flatnonzero(inside)
    spectrum[lines] = product
    scan = np.real(np.fft.ifft(spectrum)) * _N_SCAN
    step_s = 1.0 / (heard.frequency_hz[1] - heard.frequency_hz[0]) / _N_SCAN
    about_s = heard.evidence.sharp_s if math.isfinite(heard.evidence.sharp_s) else _delay_s(heard)
    reach_s = 0.0006 if math.isfinite(heard.evidence.sharp_s) else 0.02
    delays_s = about_s + np.arange(-reach_s, reach_s, step_s)
    return np.asarray(scan[np.round(delays_s / step_s).astype(int) % _N_SCAN])


def _delay_s(heard: Heard) -> float:
    """Where the program puts the arrival of a band-limited output, whichever its sign."""
    if heard.evidence.onset is None:
        return 0.0
    return float(np.mean([heard.evidence.onset.delay(sign)[0] for sign in (1, -1)]))


def first_excursion(heard: Heard) -> float:
    """+1 or -1: the first excursion of the low band that stands out; 0 where none does."""
    inside = heard.inside
    spectrum = np.zeros(_N_SCAN, dtype=np.complex128)
    spectrum[np.flatnonzero(inside)] = heard.h[inside]
    impulse = np.real(np.fft.ifft(spectrum))
    step_s = 1.0 / (heard.frequency_hz[1] - heard.frequency_hz[0]) / _N_SCAN
    impulse = np.roll(impulse, round(0.15 / step_s))
    peak = int(np.argmax(np.abs(impulse)))
    before = impulse[max(0, peak - round(0.15 / step_s)) : max(1, peak - round(0.06 / step_s))]
    threshold = max(_SHARE * abs(impulse[peak]), _OVER_NOISE * float(np.sqrt(np.mean(before**2))))
    stretch = impulse[max(0, peak - round(0.05 / step_s)) : peak + 1]
    over = np.flatnonzero(np.abs(stretch) > threshold)
    return float(np.sign(stretch[over[0]])) if len(over) else 0.0


METHODS = {
    OWN: lambda heard: heard.evidence.evidence,
    FIT: parametric,
    EXCURSION: first_excursion,
    BOTH: lambda heard: heard.evidence.evidence + parametric(heard),
}


def rows_of(family: str, seed: int, number: int) -> list[tuple[str, str, int, str, str, float]]:
    """(method, kind, case, output, position, evidence times the true sign) of one case."""
    case = make_case(family, seed, number)
    rows = []
    with tempfile.TemporaryDirectory() as place:
        check = load_sound_check(case.write(Path(place)))
        for capture in check.captures:
            if usable_tracks(capture).why:
                continue
            measured, _, _ = measure(check, capture, np.random.default_rng(0))
            if measured is not None:
                rows += _rows(case, measured)
    return rows


def _rows(case: Case, measured: Measured) -> list[tuple[str, str, int, str, str, float]]:
    responses, rows = measured.responses, []
    take = next(take for take in case.captures if take.name == measured.capture.name)
    for e in measured.evidence:
        if e.onset is None:
            continue
        i, p = responses.outputs.index(e.output), responses.positions.index(e.position)
        heard = Heard(responses.h[i, p], responses.variance[i, p], responses.frequency_hz, e)
        output = case.outputs[case.output(e.output)]
        truth = output.wiring * output.sign * case.positions[case.position(e.position)].chain
        truth *= -1.0 if e.output in take.turned else 1.0
        kind = kind_of(case, e.output)
        rows += [(name, kind, case.number, e.output, e.position, truth * of(heard)) for name, of in METHODS.items()]
    return rows


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """Right, undecided and wrong in %, of rows and of outputs with all positions pooled, per method and kind."""
    out = []
    for (method, kind), part in rows.groupby(["method", "kind"], sort=False):
        pooled = part.assign(sign=np.sign(part.evidence)).groupby(["family", "case", "output"]).sign.sum()
        shares = [_shares(values) for values in (part.evidence, pooled)]
        out.append((method, kind, len(part), shares[0], len(pooled), shares[1]))
    return pd.DataFrame(out, columns=["method", "kind", "rows", "right/undecided/wrong", "outputs", "pooled"])


def _shares(values: pd.Series) -> str:
    return "/".join(
        f"{100.0 * share:.0f}" for share in ((values > 0).mean(), (values == 0).mean(), (values < 0).mean())
    )


def main() -> int:
    """Read the command line, run the cases, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=10, help="per family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, metavar="FILE.csv", help="write all rows to this file")
    a = parser.parse_args()
    columns = ["method", "kind", "case", "output", "position", "evidence"]
    found = []
    for family in FAMILIES:
        for number in range(a.cases):
            part = pd.DataFrame(rows_of(family, a.seed, number), columns=columns).assign(family=family)
            found.append(part)
            if a.keep:
                part.to_csv(a.keep, index=False, mode="w" if len(found) == 1 else "a", header=len(found) == 1)
            sys.stderr.write(f"\r{family} {number + 1} of {a.cases} ")
    sys.stderr.write("\n")
    sys.stdout.write(table(pd.concat(found)).to_string(index=False) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
